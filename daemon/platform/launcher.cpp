#include "daemon/platform/launcher.h"

#include <fcntl.h>
#include <signal.h>
#include <spawn.h>
#include <sys/eventfd.h>
#include <sys/mman.h>
#include <sys/socket.h>
#include <sys/syscall.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <boost/asio/posix/stream_descriptor.hpp>
#include <boost/asio/steady_timer.hpp>
#include <cerrno>
#include <chrono>
#include <cstring>
#include <iterator>
#include <map>
#include <optional>
#include <span>
#include <utility>
#include <vector>

#include "protocol/host/messages.h"

namespace creel::platform {
namespace {

namespace asio = boost::asio;
using asio::posix::stream_descriptor;
using boost::system::error_code;
using host::Descriptor;

// A socket that hung up is usually a process that is just ending; its status says more.
constexpr std::chrono::milliseconds kStatusPatience{250};

Error system_error(ErrorCode code, const std::string& what) {
  return {code, what + ": " + std::strerror(errno)};
}

Result<Descriptor> sealed_memory(const char* name, std::uint64_t bytes) {
  Descriptor memory(::memfd_create(name, MFD_CLOEXEC | MFD_ALLOW_SEALING));
  if (!memory || ::ftruncate(memory.get(), static_cast<off_t>(bytes)) != 0 ||
      ::fcntl(memory.get(), F_ADD_SEALS, F_SEAL_SHRINK | F_SEAL_GROW) != 0) {
    return system_error(ErrorCode::storage_failed,
                        std::to_string(bytes) + " bytes of shared memory");
  }
  return memory;
}

Result<void*> map(const Descriptor& memory, std::uint64_t bytes) {
  void* place = ::mmap(nullptr, bytes, PROT_READ | PROT_WRITE, MAP_SHARED, memory.get(), 0);
  if (place == MAP_FAILED) {
    return system_error(ErrorCode::storage_failed, "mapping " + std::to_string(bytes) + " bytes");
  }
  return place;
}

std::string how_it_ended(const siginfo_t& end) {
  if (end.si_code == CLD_EXITED) {
    return "ended with exit code " + std::to_string(end.si_status);
  }
  return "killed by signal " + std::to_string(end.si_status) + " (" + ::strsignal(end.si_status) +
         ")";
}

// The daemon's end of one ring.
class DaemonRing {
 public:
  static Result<std::unique_ptr<DaemonRing>> make(asio::io_context& loop, ring::Geometry geometry) {
    auto memory = sealed_memory("creel-ring", geometry.total_bytes());
    if (!memory.ok()) {
      return memory.error();
    }
    auto place = map(*memory, geometry.total_bytes());
    if (!place.ok()) {
      return place.error();
    }
    std::unique_ptr<DaemonRing> made(
        new DaemonRing(loop, std::move(*memory), static_cast<std::byte*>(*place), geometry));
    const int ready = ::eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK);
    if (ready < 0 || !made->freed) {
      return system_error(ErrorCode::storage_failed, "eventfd of a ring");
    }
    error_code error;
    made->ready.assign(ready, error);
    if (error) {
      ::close(ready);
      return Error{ErrorCode::storage_failed, "eventfd of a ring: " + error.message()};
    }
    ::fcntl(made->memory.get(), F_ADD_SEALS, F_SEAL_SEAL);
    return made;
  }
  ~DaemonRing() { ::munmap(place_, bytes_); }
  DaemonRing(const DaemonRing&) = delete;
  DaemonRing& operator=(const DaemonRing&) = delete;

  Descriptor memory;
  Descriptor freed;
  stream_descriptor ready;
  ring::Consumer consumer;

 private:
  DaemonRing(asio::io_context& loop, Descriptor fd, std::byte* place, ring::Geometry geometry)
      : memory(std::move(fd)),
        freed(::eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK)),
        ready(loop),
        consumer(place, geometry),
        place_(place),
        bytes_(geometry.total_bytes()) {}
  std::byte* place_;
  std::uint64_t bytes_;
};

}  // namespace

// Which calls are under way, and since when: on an accelerated rig time stands while one is worked
// on.
class CallsRunning {
 public:
  using Moment = std::chrono::steady_clock::time_point;
  void sent(const void* host, std::string_view message) {
    if (const auto call = host::parse_call(message); call.ok()) {
      calls_[{host, call->id}] = std::chrono::steady_clock::now();
    }
  }
  void received(const void* host, std::string_view message) {
    if (calls_.empty()) {
      return;
    }
    if (const auto heard = host::parse_from_host(message); heard.ok() && heard->answer) {
      calls_.erase({host, heard->answer->id});
    }
  }
  void forget(const void* host) {
    for (auto at = calls_.begin(); at != calls_.end();) {
      at = at->first.first == host ? calls_.erase(at) : std::next(at);
    }
  }
  [[nodiscard]] std::size_t count() const {
    const Moment hung =
        std::chrono::steady_clock::now() - std::chrono::milliseconds(PosixLauncher::kHungMs);
    return static_cast<std::size_t>(std::count_if(
        calls_.begin(), calls_.end(), [hung](const auto& call) { return call.second > hung; }));
  }

 private:
  std::map<std::pair<const void*, std::uint64_t>, Moment> calls_;
};

namespace {

// One process and the daemon's ends of everything that leads to it. Kept alive by the operations
// that wait in the loop; gone when the process has been reaped.
class Link : public std::enable_shared_from_this<Link> {
 public:
  Link(asio::io_context& loop, Descriptor socket, Descriptor process, HostListener listener,
       std::shared_ptr<std::size_t> running, std::shared_ptr<CallsRunning> calls)
      : loop_(loop),
        socket_(loop, socket.release()),
        process_(loop, process.release()),
        patience_(loop),
        listener_(std::make_shared<HostListener>(std::move(listener))),
        running_(std::move(running)),
        calls_(std::move(calls)) {
    ++*running_;
  }
  ~Link() {
    calls_->forget(this);
    if (!reaped_) {  // the loop was destroyed first
      --*running_;
    }
  }
  Link(const Link&) = delete;
  Link& operator=(const Link&) = delete;

  void watch() {
    wait_for_message();
    process_.async_wait(stream_descriptor::wait_read,
                        [self = shared_from_this()](const error_code& error) {
                          if (!error) {
                            self->ended();
                          }
                        });
  }

  Result<void> send(std::string_view message, std::span<const int> descriptors = {}) {
    if (!socket_.is_open()) {
      return Error{ErrorCode::device_lost, "the host is gone"};
    }
    const auto sent = host::send_message(socket_.native_handle(), message, descriptors);
    if (!sent.ok()) {
      return sent.error();
    }
    if (!*sent) {
      return Error{ErrorCode::device_lost, "the host does not take its messages"};
    }
    calls_->sent(this, message);
    return {};
  }

  Result<ring::Consumer*> give_ring(std::uint64_t call_id, ring::Geometry geometry) {
    auto made = DaemonRing::make(loop_, geometry);
    if (!made.ok()) {
      return made.error();
    }
    const std::string call = host::make_call(
        call_id, "ring", {{"slots", geometry.slots}, {"payload_bytes", geometry.payload_bytes}});
    const std::array descriptors{(*made)->memory.get(), (*made)->ready.native_handle(),
                                 (*made)->freed.get()};
    CREEL_TRY(send(call, descriptors));
    ring_ = std::move(*made);
    wait_for_frames();
    return &ring_->consumer;
  }

  void ring_freed() {
    if (ring_ != nullptr) {
      const std::uint64_t one = 1;
      [[maybe_unused]] const auto written = ::write(ring_->freed.get(), &one, sizeof one);
    }
  }

  void kill() {
    if (!reaped_) {
      ::syscall(SYS_pidfd_send_signal, process_.native_handle(), SIGKILL, nullptr, 0);
    }
  }

  // Nobody listens any more: hang up and see the process to its end.
  void abandon() {
    calls_->forget(this);
    listener_.reset();
    error_code ignored;
    socket_.close(ignored);
    ring_.reset();
    if (!reaped_) {
      after(std::chrono::milliseconds(PosixLauncher::kGraceMs), [](Link& link) { link.kill(); });
    }
  }

 private:
  void wait_for_message() {
    socket_.async_wait(stream_descriptor::wait_read,
                       [self = shared_from_this()](const error_code& error) {
                         if (!error) {
                           self->take_messages(PosixLauncher::kMessagesPerTurn);
                         }
                       });
  }

  // False when there is nothing more to take, now or ever.
  bool take_message() {
    auto received = host::receive_message(socket_.native_handle(), 0);
    if (received.kind == host::Received::Kind::message) {
      calls_->received(this, received.text);
      if (const auto listener = listener_; listener->on_message) {
        listener->on_message(received.text);
      }
      return socket_.is_open();
    }
    if (received.kind == host::Received::Kind::hung_up) {
      hung_up();
    }
    return false;
  }

  void take_messages(int most) {
    for (int i = 0; i < most && listener_ != nullptr; ++i) {
      if (!take_message()) {
        break;
      }
    }
    if (socket_.is_open()) {
      wait_for_message();
    }
  }

  void hung_up() {
    error_code ignored;
    socket_.close(ignored);
    after(kStatusPatience,
          [](Link& link) { link.tell_gone("closed its control socket without ending"); });
  }

  void wait_for_frames() {
    ring_->ready.async_wait(
        stream_descriptor::wait_read,
        [self = shared_from_this(), ring = ring_.get()](const error_code& error) {
          if (!error && self->ring_.get() == ring) {
            self->frames_ready();
          }
        });
  }

  void frames_ready() {
    std::uint64_t count = 0;
    [[maybe_unused]] const auto got = ::read(ring_->ready.native_handle(), &count, sizeof count);
    wait_for_frames();
    if (const auto listener = listener_; listener != nullptr && listener->on_frames) {
      listener->on_frames();
    }
  }

  void ended() {
    siginfo_t end{};
    // P_PIDFD: no other child's status can be taken by mistake, whatever became of the number.
    const bool known =
        ::waitid(static_cast<idtype_t>(P_PIDFD), static_cast<id_t>(process_.native_handle()), &end,
                 WEXITED | WNOHANG) == 0;
    reaped_ = true;
    --*running_;
    error_code ignored;
    process_.close(ignored);
    patience_.cancel();
    // What it said before it ended is still in the socket, and there is no more than its buffer
    // holds.
    while (socket_.is_open() && listener_ != nullptr && take_message()) {
    }
    tell_gone(known ? how_it_ended(end) : "ended; its status was taken by someone else");
  }

  void tell_gone(const std::string& how) {
    calls_->forget(this);
    error_code ignored;
    socket_.close(ignored);
    if (const auto listener = std::exchange(listener_, nullptr);
        listener != nullptr && listener->on_gone) {
      listener->on_gone(how);
    }
  }

  template <class Action>
  void after(std::chrono::milliseconds delay, Action action) {
    patience_.expires_after(delay);
    patience_.async_wait([self = shared_from_this(), action](const error_code& error) {
      if (!error) {
        action(*self);
      }
    });
  }

  asio::io_context& loop_;
  stream_descriptor socket_;
  stream_descriptor process_;
  asio::steady_timer patience_;
  std::shared_ptr<HostListener> listener_;  // null: abandoned, or told that it is gone
  std::unique_ptr<DaemonRing> ring_;
  std::shared_ptr<std::size_t> running_;
  std::shared_ptr<CallsRunning> calls_;
  bool reaped_ = false;
};

class PosixHost final : public HostProcess {
 public:
  explicit PosixHost(std::shared_ptr<Link> link) : link_(std::move(link)) {}
  ~PosixHost() override { link_->abandon(); }
  PosixHost(const PosixHost&) = delete;
  PosixHost& operator=(const PosixHost&) = delete;

  Result<void> send(std::string_view message) override { return link_->send(message); }
  Result<ring::Consumer*> give_ring(std::uint64_t call_id, ring::Geometry geometry) override {
    return link_->give_ring(call_id, geometry);
  }
  void ring_freed() override { link_->ring_freed(); }
  void kill() override { link_->kill(); }

 private:
  std::shared_ptr<Link> link_;
};

// Default signals and an own process group: Ctrl-C at the daemon's terminal is the daemon's to
// handle; the hosts hear of it by the hang-up.
class SpawnAttributes {
 public:
  SpawnAttributes() {
    ::posix_spawnattr_init(&attributes_);
    sigset_t set;
    ::sigemptyset(&set);
    ::posix_spawnattr_setsigmask(&attributes_, &set);
    ::sigfillset(&set);
    ::posix_spawnattr_setsigdefault(&attributes_, &set);
    ::posix_spawnattr_setpgroup(&attributes_, 0);
    ::posix_spawnattr_setflags(
        &attributes_, POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF | POSIX_SPAWN_SETPGROUP);
  }
  ~SpawnAttributes() { ::posix_spawnattr_destroy(&attributes_); }
  SpawnAttributes(const SpawnAttributes&) = delete;
  SpawnAttributes& operator=(const SpawnAttributes&) = delete;
  [[nodiscard]] const posix_spawnattr_t* get() const { return &attributes_; }

 private:
  posix_spawnattr_t attributes_{};
};

class SpawnActions {
 public:
  SpawnActions(int socket, int life_line) {
    ::posix_spawn_file_actions_init(&actions_);
    // The socket first: in a daemon without the standard three it may have one of their numbers.
    ::posix_spawn_file_actions_adddup2(&actions_, socket, host::kControlFd);
    if (life_line >= 0) {
      ::posix_spawn_file_actions_adddup2(&actions_, life_line, host::kLifeLineFd);
    }
    ::posix_spawn_file_actions_addopen(&actions_, STDIN_FILENO, "/dev/null", O_RDONLY, 0);
    ::posix_spawn_file_actions_adddup2(&actions_, STDERR_FILENO, STDOUT_FILENO);
    // A library's socket may lack close-on-exec: a driver must not have it, nor keep it open when
    // the daemon is gone.
    ::posix_spawn_file_actions_addclosefrom_np(
        &actions_, (life_line >= 0 ? host::kLifeLineFd : host::kControlFd) + 1);
  }
  ~SpawnActions() { ::posix_spawn_file_actions_destroy(&actions_); }
  SpawnActions(const SpawnActions&) = delete;
  SpawnActions& operator=(const SpawnActions&) = delete;
  [[nodiscard]] const posix_spawn_file_actions_t* get() const { return &actions_; }

 private:
  posix_spawn_file_actions_t actions_{};
};

// posix_spawn does not copy the daemon's memory map, however large its rings are.
Result<pid_t> spawn(const std::string& program, const std::string& name, int socket,
                    int life_line) {
  const SpawnAttributes attributes;
  const SpawnActions actions(socket, life_line);
  std::string argument = program;
  char* const arguments[] = {argument.data(), nullptr};
  pid_t pid = -1;
  const int error =
      ::posix_spawn(&pid, program.c_str(), actions.get(), attributes.get(), arguments, environ);
  if (error != 0) {
    return Error{ErrorCode::device_lost,
                 name + ": cannot start " + program + " (" + std::strerror(error) + ")"};
  }
  return pid;
}

}  // namespace

Result<RigMemory> RigMemory::make(std::uint64_t shared_bytes, bool accelerated, std::uint64_t seed,
                                  WorldRate rate) {
  const std::uint64_t bytes = kWorldPageBytes + shared_bytes;
  auto memory = sealed_memory("creel-rig", bytes);
  if (!memory.ok()) {
    return memory.error();
  }
  auto place = map(*memory, bytes);
  if (!place.ok()) {
    return place.error();
  }
  RigMemory made(std::move(*memory), static_cast<WorldPage*>(*place), bytes);
  WorldTimeline::prepare(made.page_, accelerated, seed, rate);
  const bool simulated = accelerated || shared_bytes > 0;
  ::fcntl(made.descriptor(), F_ADD_SEALS, F_SEAL_SEAL | (simulated ? 0 : F_SEAL_FUTURE_WRITE));
  return made;
}

RigMemory::RigMemory(RigMemory&& other) noexcept
    : memory_(std::move(other.memory_)),
      page_(std::exchange(other.page_, nullptr)),
      bytes_(other.bytes_) {}

RigMemory::~RigMemory() {
  if (page_ != nullptr) {
    ::munmap(page_, bytes_);
  }
}

Result<RigMemory> make_rig_memory(std::uint64_t shared_bytes, bool accelerated, std::uint64_t seed,
                                  WorldRate rate) {
  return RigMemory::make(shared_bytes, accelerated, seed, rate);
}

PosixLauncher::PosixLauncher(std::string host_program, boost::asio::io_context& loop,
                             int rig_memory, int life_line)
    : host_program_(std::move(host_program)),
      loop_(loop),
      rig_memory_(rig_memory),
      life_line_(life_line),
      running_(std::make_shared<std::size_t>(0)),
      calls_(std::make_shared<CallsRunning>()) {}

PosixLauncher::~PosixLauncher() = default;

std::size_t PosixLauncher::calls_running() const {
  return calls_->count();
}

Result<std::unique_ptr<HostProcess>> PosixLauncher::launch(const std::string& name,
                                                           std::string_view message,
                                                           HostListener listener) {
  int ends[2] = {-1, -1};
  if (::socketpair(AF_UNIX, SOCK_SEQPACKET | SOCK_CLOEXEC, 0, ends) != 0) {
    return system_error(ErrorCode::device_lost, name + ": socketpair");
  }
  Descriptor ours(ends[0]);
  const Descriptor theirs(ends[1]);
  const auto pid = spawn(host_program_, name, theirs.get(), life_line_);
  if (!pid.ok()) {
    return pid.error();
  }
  Descriptor process(static_cast<int>(::syscall(SYS_pidfd_open, *pid, 0)));
  if (!process) {
    ::kill(*pid, SIGKILL);  // it was given nothing yet
    ::waitpid(*pid, nullptr, 0);
    return Error{ErrorCode::device_lost, name + ": pidfd_open failed"};
  }
  auto link = std::make_shared<Link>(loop_, std::move(ours), std::move(process),
                                     std::move(listener), running_, calls_);
  link->watch();
  auto host = std::make_unique<PosixHost>(link);
  const std::array descriptors{rig_memory_};
  const auto sent = link->send(message, std::span(descriptors.data(), rig_memory_ >= 0 ? 1 : 0));
  if (!sent.ok()) {
    return sent.error().during(name);
  }
  return std::unique_ptr<HostProcess>(std::move(host));
}

}  // namespace creel::platform
