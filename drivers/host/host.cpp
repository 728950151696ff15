#include "drivers/host/host.h"

#include <poll.h>
#include <sched.h>
#include <signal.h>
#include <sys/eventfd.h>
#include <sys/signalfd.h>
#include <sys/socket.h>
#include <sys/timerfd.h>
#include <time.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <thread>
#include <utility>

#include "drivers/host/crash.h"

namespace creel::host {
namespace {

using nlohmann::json;
using std::chrono::milliseconds;

// The ABI allows make_safe 50 ms; a machine under load is forgiven ten times that.
constexpr milliseconds kMakeSafeLimit{500};
// How long the end waits for calls that make_safe has cancelled, and for the driver's close (ABI: 5
// s).
constexpr milliseconds kReturnLimit{500};
constexpr milliseconds kCloseLimit{5000};
constexpr int kAgainMs =
    100;  // make_safe is repeated this often while an overtaken call still runs
constexpr int kMessagesPerWake = 32;
constexpr std::size_t kMostJobs = 64;
constexpr std::int64_t kLongestLeaseNs =
    600'000'000'000;  // ten minutes; longer protects no specimen

constexpr int kNotOpened = 2;
constexpr int kNotSafe = 3;

// Real time that also counts while the machine sleeps: a lease must not outlive a suspend.
std::int64_t real_ns() {
  timespec now{};
  ::clock_gettime(CLOCK_BOOTTIME, &now);
  return static_cast<std::int64_t>(now.tv_sec) * 1'000'000'000 + now.tv_nsec;
}

// Calls that may leave the device unsafe: not begun after a make_safe that they were queued before,
// and followed by another make_safe when it came while they ran.
bool may_do_harm(const std::string& call) {
  constexpr std::array kHarmful{"open", "open_shutter", "start", "arm", "move", "set", "renew"};
  return std::find(kHarmful.begin(), kHarmful.end(), call) != kHarmful.end();
}

void wake_up(const Descriptor& event) {
  const std::uint64_t one = 1;
  [[maybe_unused]] const auto written = ::write(event.get(), &one, sizeof one);
}

// Empties an eventfd, timerfd or signalfd.
void drain(const Descriptor& descriptor) {
  std::array<std::byte, sizeof(signalfd_siginfo)> bytes;
  while (::read(descriptor.get(), bytes.data(), bytes.size()) > 0) {
  }
}

Descriptor block_signals() {
  sigset_t ending;
  ::sigemptyset(&ending);
  ::sigaddset(&ending, SIGTERM);
  ::sigaddset(&ending, SIGINT);
  ::sigprocmask(SIG_BLOCK, &ending, nullptr);
  ::signal(SIGPIPE, SIG_IGN);
  return Descriptor(::signalfd(-1, &ending, SFD_CLOEXEC | SFD_NONBLOCK));
}

// Made beforehand: when they are needed the heap may not be usable.
const std::string kLateMakeSafe = make_event(
    "log", {{"level", "error"},
            {"text",
             "make_safe did not return within 500 ms: this host ends so that the fall-back acts"}});
const std::string kLateClose = make_event(
    "log", {{"level", "error"}, {"text", "the driver's close did not return within 5 s"}});

// The safety thread does little, and must not wait for its turn on a busy computer. Permitted to
// root and with RLIMIT_RTPRIO; without it the thread is one among others. The threads of the driver
// do not inherit it.
void ask_for_real_time() {
  sched_param real_time{};
  real_time.sched_priority = 1;
  (void)::sched_setscheduler(0, SCHED_FIFO | SCHED_RESET_ON_FORK, &real_time);
}

}  // namespace

Host::Host(Descriptor socket, Descriptor life_line)
    : socket_(std::move(socket)),
      life_line_(std::move(life_line)),
      wake_(::eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK)),
      signals_(block_signals()),
      lease_timer_(::timerfd_create(CLOCK_BOOTTIME, TFD_CLOEXEC | TFD_NONBLOCK)),
      outbox_(socket_.get(), wake_.get()) {
  CREEL_INVARIANT(wake_ && signals_ && lease_timer_, "eventfd, signalfd and timerfd must exist");
}

void Host::run() {
  ask_for_real_time();
  start(first_call());
  for (;;) {
    wait_and_serve();
  }
}

// ---- start
// ----------------------------------------------------------------------------------------------

Host::Job Host::first_call() {
  std::array<pollfd, 2> waits{{{socket_.get(), POLLIN, 0}, {signals_.get(), POLLIN, 0}}};
  ::poll(waits.data(), waits.size(), -1);
  Received message = receive_message(socket_.get(), kMostDescriptors);
  if (message.kind != Received::Kind::message) {
    ::_exit(0);  // a signal or a hang-up before there was any device
  }
  auto call = parse_call(message.text);
  auto opening = call.ok() ? check_open(call->arguments) : call.error();
  if (call.ok() && call->name != "open") {
    opening =
        Error{ErrorCode::refused, "the first call must be \"open\", not \"" + call->name + '"'};
  }
  if (!opening.ok()) {
    outbox_.send(make_answer(call.ok() ? call->id : 0, opening.error()));
    ::_exit(kNotOpened);
  }
  opening_ = std::move(*opening);
  Job job;
  job.call = std::move(*call);
  job.descriptors = std::move(message.descriptors);
  return job;
}

Result<Host::Opening> Host::check_open(const json& arguments) {
  Opening opening;
  const auto text = [&](const char* key) {
    const auto found = arguments.find(key);
    return found != arguments.end() && found->is_string() ? found->get<std::string>()
                                                          : std::string();
  };
  opening.plugin = text("plugin");
  opening.device = text("device");
  opening.kind = kind_from(text("kind"));
  opening.config = arguments.value("config", json::object());
  const auto wrong = [](const std::string& what) {
    return Error{ErrorCode::invalid_request, "open: " + what};
  };
  if (opening.plugin.empty() || opening.device.empty()) {
    return wrong("needs \"plugin\" (a path) and \"device\" (a name)");
  }
  if (opening.kind == 0) {
    return wrong("kind is '" + text("kind") + "'; must be detector, shutter, stage or gauge");
  }
  if (!opening.config.is_object()) {
    return wrong("config must be an object");
  }
  auto grants = parse_grants(arguments.value("sandbox", json::object()));
  if (!grants.ok()) {
    return grants.error().during("open");
  }
  opening.grants = std::move(*grants);
  return opening;
}

void Host::start(Job open) {
  auto memory =
      RigMemory::map(open.descriptors.empty() ? Descriptor() : std::move(open.descriptors[0]));
  if (!memory.ok()) {
    outbox_.send(make_answer(open.call.id, memory.error().during("open")));
    ::_exit(kNotOpened);
  }
  services_ = std::make_unique<Services>(std::move(*memory), outbox_);
  for (const std::string& warning : enter_sandbox(opening_.grants, opening_.plugin)) {
    outbox_.log(CREEL_LOG_WARNING, warning);
  }
  // From here on threads may start: they inherit what was taken away.
  park_crashing_threads(wake_.get());
  watchdog_ = std::make_unique<Watchdog>(socket_.get());
  jobs_.push_back(std::move(open));
  std::thread([this] { control(); }).detach();  // it may be lost inside the driver: nobody joins it
}

// ---- safety thread
// --------------------------------------------------------------------------------------

void Host::wait_and_serve() {
  const auto writable = static_cast<short>(outbox_.waiting() ? POLLOUT : 0);
  std::array<pollfd, 5> waits{{{socket_.get(), static_cast<short>(POLLIN | writable), 0},
                               {signals_.get(), POLLIN, 0},
                               {lease_timer_.get(), POLLIN, 0},
                               {wake_.get(), POLLIN, 0},
                               {life_line_.get(), 0, 0}}};
  const bool again = overtaken();
  const int ready = ::poll(waits.data(), waits.size(), again ? kAgainMs : -1);
  if (waits[4].revents != 0) {
    end("hang-up");
  }
  if (waits[3].revents != 0) {
    woken();
  }
  if (waits[1].revents != 0) {
    end("signal");
  }
  if (waits[2].revents != 0) {
    lease_timer_fired();
  }
  if ((waits[0].revents & POLLOUT) != 0) {
    outbox_.flush();
  }
  if ((waits[0].revents & (POLLIN | POLLHUP | POLLERR)) != 0) {
    receive();
  }
  if (again && ready == 0) {
    if (const auto safe = call_make_safe(); !safe.ok()) {
      give_up(safe.error());
    }
  }
}

void Host::receive() {
  for (int i = 0; i < kMessagesPerWake; ++i) {
    Received message = receive_message(socket_.get(), kMostDescriptors);
    if (message.kind == Received::Kind::hung_up) {
      end("hang-up");
    }
    if (message.kind == Received::Kind::nothing_yet) {
      return;
    }
    accept(std::move(message));
  }
}

void Host::accept(Received message) {
  auto call = parse_call(message.text);
  if (!call.ok()) {
    outbox_.send(make_answer(0, call.error()));
  } else if (call->name == "ping") {
    answer_ping(call->id);
  } else if (call->name == "renew") {
    answer_renew(*call);
  } else if (call->name == "make_safe") {
    answer_make_safe(call->id);
  } else if (call->name == "open") {
    outbox_.send(make_answer(
        call->id,
        Error{ErrorCode::refused, opening_.device + ": open: this host has had its one \"open\""}));
  } else {
    enqueue(std::move(*call), std::move(message.descriptors));
  }
}

void Host::enqueue(Call call, std::vector<Descriptor> descriptors) {
  std::unique_lock lock(mutex_);
  if (jobs_.size() >= kMostJobs) {
    const std::string busy = busy_.call;
    lock.unlock();
    outbox_.send(make_answer(
        call.id, Error{ErrorCode::refused, opening_.device + ": " + std::to_string(kMostJobs) +
                                               " calls wait already; '" + busy + "' is running"}));
    return;
  }
  Job job{std::move(call), std::move(descriptors), ++arrived_, safe_count_, false, false};
  if (job.call.name == "open_shutter" && opening_.kind == CREEL_KIND_SHUTTER) {
    // The lease runs from here, not from when the driver gets to it: the daemon counts from its
    // order.
    const auto open_for = whole_number(job.call.arguments, "open_for_ns", 1, kLongestLeaseNs);
    if (!open_for.ok()) {
      lock.unlock();
      outbox_.send(
          make_answer(job.call.id, open_for.error().during(opening_.device + ": open_shutter")));
      return;
    }
    set_lease({real_ns() + *open_for, job.order});
  }
  jobs_.push_back(std::move(job));
  changed_.notify_all();
}

void Host::answer_ping(std::uint64_t id) {
  json state;
  {
    const std::lock_guard lock(mutex_);
    const std::int64_t now = real_ns();
    state = {{"busy", busy_.call},
             {"busy_ns", busy_.call.empty() ? 0 : now - busy_.since_ns},
             {"lease_left_ns", std::max<std::int64_t>(0, lease_.until_ns - now)}};
  }
  outbox_.send(make_answer(id, state));
}

void Host::answer_renew(const Call& call) {
  const auto open_for = whole_number(call.arguments, "open_for_ns", 1, kLongestLeaseNs);
  if (!open_for.ok()) {
    outbox_.send(make_answer(call.id, open_for.error().during(opening_.device + ": renew")));
    return;
  }
  const Device* device = device_;
  std::unique_lock lock(mutex_);
  const std::int64_t now = real_ns();
  if (lease_.until_ns <= now) {
    lock.unlock();
    outbox_.send(make_answer(
        call.id,
        Error{ErrorCode::refused, opening_.device + ": renew: there is no open lease to renew"}));
    return;
  }
  set_lease({now + *open_for, lease_.order});
  const bool queued = std::any_of(jobs_.begin(), jobs_.end(),
                                  [](const Job& job) { return job.call.name == "renew"; });
  if (device != nullptr && device->has_timer() && !queued) {
    jobs_.push_back({Call{0, "renew", json::object()}, {}, ++arrived_, safe_count_, true, false});
    changed_.notify_all();
  }
  lock.unlock();
  outbox_.send(make_answer(call.id, json::object()));
}

void Host::answer_make_safe(std::uint64_t id) {
  const auto safe = make_safe();
  outbox_.send(safe.ok() ? make_answer(id, json::object()) : make_answer(id, safe.error()));
  if (!safe.ok()) {
    give_up(safe.error());
  }
}

void Host::set_lease(const Lease& lease) {
  lease_ = lease;
  itimerspec when{};
  when.it_value.tv_sec = lease.until_ns / 1'000'000'000;
  when.it_value.tv_nsec = lease.until_ns % 1'000'000'000;
  ::timerfd_settime(lease_timer_.get(), TFD_TIMER_ABSTIME, &when, nullptr);  // zero: switched off
}

void Host::lease_timer_fired() {
  drain(lease_timer_);
  {
    const std::lock_guard lock(mutex_);
    if (lease_.until_ns == 0 || lease_.until_ns > real_ns()) {
      return;  // renewed or closed in the meantime
    }
  }
  safe_by_itself("lease ended");
}

void Host::woken() {
  drain(wake_);
  if (const int signal = parked_for(); signal != 0) {
    crashed(signal);
  }
  std::string why, lost;
  {
    const std::lock_guard lock(mutex_);
    why.swap(wanted_safe_);
    lost.swap(lost_);
  }
  if (!why.empty()) {
    safe_by_itself(why);
  }
  if (!lost.empty()) {
    outbox_.log(CREEL_LOG_ERROR, lost + ": this host ends, so that it can be started anew");
    end("lost");
  }
}

Result<void> Host::make_safe() {
  {
    const std::lock_guard lock(mutex_);
    ++safe_count_;
    set_lease({});
  }
  return call_make_safe();
}

Result<void> Host::call_make_safe() {
  Device* device = device_;
  if (device == nullptr) {
    return {};  // still opening: made safe as soon as it is open (finished())
  }
  watchdog_->arm(kMakeSafeLimit, kLateMakeSafe, kNotSafe);
  std::int32_t code = device->make_safe();
  if (code < 0) {
    code = device->make_safe();  // one more try; it is repeatable
  }
  watchdog_->disarm();
  return code < 0 ? Result<void>(device->failure("make_safe", code)) : Result<void>();
}

void Host::safe_by_itself(const std::string& why) {
  if (const auto safe = make_safe(); !safe.ok()) {
    give_up(safe.error());
  }
  announce_safe(why);
}

void Host::announce_safe(const std::string& why) {
  const Device* device = device_;
  {
    const std::lock_guard lock(mutex_);
    if (device != nullptr && device->is_shutter() && busy_.call.empty() && jobs_.empty() &&
        !ending_) {
      // The control thread is free to ask the driver where the shutter is.
      jobs_.push_back(
          {Call{0, "announce", {{"why", why}}}, {}, ++arrived_, safe_count_, true, false});
      changed_.notify_all();
      return;
    }
  }
  outbox_.send(make_event("safe", {{"why", why}, {"state", nullptr}}));
}

bool Host::overtaken() const {
  const std::lock_guard lock(mutex_);
  return device_ != nullptr && may_do_harm(busy_.call) && busy_.safe_count != safe_count_;
}

void Host::end(const std::string& why) {
  bool idle = false;
  {
    const std::lock_guard lock(mutex_);
    ending_ = true;
    jobs_.clear();
    changed_.notify_all();
  }
  auto safe = make_safe();
  {
    std::unique_lock lock(mutex_);
    idle = changed_.wait_for(lock, kReturnLimit, [this] { return busy_.call.empty(); });
  }
  Device* device = device_;
  if (safe.ok() && device != nullptr) {
    safe = call_make_safe();  // a call that was running may have undone the first
  }
  if (!safe.ok()) {
    give_up(safe.error());
  }
  outbox_.send(make_event("safe", {{"why", why}, {"state", nullptr}}));
  if (device != nullptr && idle && device->frames_ended(kReturnLimit)) {
    watchdog_->arm(kCloseLimit, kLateClose, 0);  // it is safe already
    device->close();
    watchdog_->disarm();
  }
  leave(0);
}

void Host::give_up(const Error& error) {
  outbox_.log(CREEL_LOG_ERROR, error.text + ": this host ends so that the fall-back acts");
  leave(kNotSafe);
}

void Host::crashed(int signal) {
  watchdog_->arm(kMakeSafeLimit, kLateMakeSafe, kNotSafe);  // also for the locks below
  Device* device = device_;
  if (device != nullptr) {
    device->make_safe();
  }
  std::string call;
  {
    const std::lock_guard lock(mutex_);
    call = busy_.call.empty() ? "read_frame or a thread of its own" : '\'' + busy_.call + '\'';
  }
  outbox_.log(CREEL_LOG_ERROR, "the driver crashed (signal " + std::to_string(signal) + ") in " +
                                   call +
                                   (device != nullptr ? "; make_safe was called after it" : ""));
  die_of(signal);
}

void Host::leave(int exit_code) {
  outbox_.flush();
  ::_exit(exit_code);  // no destructors: threads may be lost inside the driver
}

// ---- control thread
// -------------------------------------------------------------------------------------

void Host::control() {
  const CrashStack stack;
  Job job;
  while (next_job(job)) {
    finished(job, perform(job));
  }
}

bool Host::next_job(Job& job) {
  std::unique_lock lock(mutex_);
  changed_.wait(lock, [this] { return ending_ || !jobs_.empty(); });
  if (ending_) {
    return false;
  }
  job = std::move(jobs_.front());
  jobs_.pop_front();
  busy_ = {job.call.name, real_ns(), job.safe_count};
  return true;
}

Result<json> Host::perform(Job& job) {
  const std::string& name = job.call.name;
  std::int64_t lease_left = 0;
  {
    const std::lock_guard lock(mutex_);
    if (job.safe_count != safe_count_ && may_do_harm(name) && name != "open") {
      return Error{ErrorCode::cancelled,
                   opening_.device + ": " + name + ": the device was made safe before it began"};
    }
    lease_left = lease_.until_ns - real_ns();
  }
  job.begun = true;
  if (name == "open") {
    return open_device();
  }
  Device* device = device_;
  if (device == nullptr) {
    job.begun = false;
    return Error{ErrorCode::refused, opening_.device + ": " + name + ": the device is not open"};
  }
  if (name == "renew") {
    const auto renewed = lease_left > 0 ? device->renew(lease_left) : Result<void>();
    return renewed.ok() ? Result<json>(json::object()) : Result<json>(renewed.error());
  }
  if (name == "announce") {
    return device->call("state", json::object(), {});
  }
  if (name == "open_shutter") {
    job.call.arguments["open_for_ns"] = std::max<std::int64_t>(1, lease_left);
  }
  return device->call(name, job.call.arguments, std::move(job.descriptors));
}

Result<json> Host::open_device() {
  const auto plugin = load_plugin(opening_.plugin);
  if (!plugin.ok()) {
    return plugin.error();
  }
  const auto calls = offer_of(*plugin, opening_.kind);
  if (!calls.ok()) {
    return calls.error();
  }
  auto device = Device::open(*calls, opening_.device, opening_.config, *services_, outbox_);
  if (!device.ok()) {
    return device.error();
  }
  device_owner_ = std::move(*device);
  device_ = device_owner_.get();
  auto description = device_owner_->describe();
  auto settings = device_owner_->settings({}, {});
  if (!description.ok() || !settings.ok()) {
    return (description.ok() ? settings : description).error();
  }
  for (const std::string& warning : seal_sandbox(opening_.grants)) {
    outbox_.log(CREEL_LOG_WARNING, warning);
  }
  return json{{"plugin", plugin->name},
              {"version", plugin->version},
              {"describe", std::move(*description)},
              {"settings", std::move(*settings)}};
}

void Host::finished(const Job& job, Result<json> result) {
  const std::string& name = job.call.name;
  bool overtaken = false;
  {
    const std::lock_guard lock(mutex_);
    overtaken = job.begun && may_do_harm(name) && job.safe_count != safe_count_;
    if (name == "close_shutter" && result.ok() && lease_.order < job.order) {
      set_lease({});
    }
  }
  if (overtaken && result.ok()) {
    result = Error{ErrorCode::cancelled,
                   opening_.device + ": " + name + ": the device was made safe while it ran"};
  }
  if (name == "announce") {
    outbox_.send(make_event("safe", {{"why", job.call.arguments["why"]},
                                     {"state", result.ok() ? *result : json(nullptr)}}));
  } else if (!job.internal) {
    outbox_.send(result.ok() ? make_answer(job.call.id, *result)
                             : make_answer(job.call.id, result.error()));
  } else if (!result.ok() && result.error().code != ErrorCode::cancelled) {
    outbox_.log(CREEL_LOG_WARNING, result.error().text);
  }
  if (name == "stop" && job.begun && !result.ok() && result.error().code == ErrorCode::timed_out) {
    // No acquisition can ever be started again beside one that does not end.
    const std::lock_guard lock(mutex_);
    lost_ = result.error().text;
    wake_up(wake_);
  }
  if (overtaken) {
    ask_safety("'" + name + "' was still running when the device was made safe");
  } else if (name == "open_shutter" && job.begun && !result.ok() &&
             opening_.kind == CREEL_KIND_SHUTTER) {
    ask_safety("open_shutter failed");  // it may have moved part of the way
  } else if (name == "start" && result.ok()) {
    device_.load()->started();
  }
  const std::lock_guard lock(mutex_);
  busy_ = {};
  changed_.notify_all();
}

void Host::ask_safety(const std::string& why) {
  {
    const std::lock_guard lock(mutex_);
    wanted_safe_ = why;
  }
  wake_up(wake_);
}

}  // namespace creel::host
