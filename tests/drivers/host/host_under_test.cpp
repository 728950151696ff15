#include "tests/drivers/host/host_under_test.h"

#include <fcntl.h>
#include <sys/mman.h>
#include <unistd.h>

#include <cstdlib>
#include <thread>
#include <utility>

#include "protocol/host/messages.h"

namespace creel::tests {

using nlohmann::json;
using std::chrono::steady_clock;

std::string plugin(const std::string& name) {
  return std::string(CREEL_TEST_PLUGINS) + "/" + name + ".so";
}
std::string creel_host() {
  return CREEL_TEST_HOST;
}
std::string rogue_host() {
  return CREEL_TEST_ROGUE;
}
std::string stand_in_daemon() {
  return CREEL_TEST_DAEMON;
}

Notes::Notes() {
  char path[] = "/tmp/creel-notes-XXXXXX";
  const int fd = ::mkstemp(path);
  path_ = path;
  if (fd >= 0 && ::ftruncate(fd, sizeof(record)) == 0) {
    void* place = ::mmap(nullptr, sizeof(record), PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    record_ = place == MAP_FAILED ? nullptr : static_cast<record*>(place);
  }
  ::close(fd);
  CREEL_INVARIANT(record_ != nullptr, "a temporary file must be there to map");
}

Notes::~Notes() {
  ::munmap(record_, sizeof(record));
  ::unlink(path_.c_str());
}

bool eventually(const std::function<bool()>& done) {
  const auto end = steady_clock::now() + kHangGuard;
  while (!done()) {
    if (steady_clock::now() > end) {
      return false;
    }
    std::this_thread::sleep_for(std::chrono::milliseconds(1));
  }
  return true;
}

HostUnderTest::HostUnderTest() : HostUnderTest(Options{}) {}
HostUnderTest::HostUnderTest(const Options& options)
    : launcher(options.program, loop, options.rig_memory) {}
HostUnderTest::~HostUnderTest() {
  if (process_ != nullptr) {
    hang_up();
  }
}

Result<json> HostUnderTest::open(const std::string& plugin_path, const std::string& kind,
                                 json config, json sandbox) {
  if (config.contains("record")) {
    sandbox["write_paths"].push_back(config["record"]);
  }
  const json arguments = {{"plugin", plugin_path},
                          {"kind", kind},
                          {"device", "subject"},
                          {"config", std::move(config)},
                          {"sandbox", std::move(sandbox)}};
  const std::uint64_t id = next_id_++;
  HostListener listener;
  listener.on_message = [this](std::string_view message) { on_message(message); };
  listener.on_frames = [this] { ++frames_notices; };
  listener.on_gone = [this](const std::string& how) { gone_ = how; };
  auto launched =
      launcher.launch("subject", host::make_call(id, "open", arguments), std::move(listener));
  if (!launched.ok()) {
    return launched.error();
  }
  process_ = std::move(*launched);
  return answer(id);
}

void HostUnderTest::on_message(std::string_view message) {
  ++messages;
  auto parsed = host::parse_from_host(message);
  if (!parsed.ok()) {
    events.push_back({{"event", "unreadable"}, {"text", parsed.error().text}});
  } else if (parsed->event) {
    if (events.size() < 10'000) {
      events.push_back(std::move(parsed->event->body));
    }
  } else {
    answers_.emplace(parsed->answer->id, std::move(parsed->answer->result));
  }
}

std::uint64_t HostUnderTest::ask(const std::string& name, json arguments) {
  const std::uint64_t id = next_id_++;
  const auto sent = process_->send(host::make_call(id, name, std::move(arguments)));
  if (!sent.ok()) {
    answers_.emplace(id, sent.error());
  }
  return id;
}

Result<json> HostUnderTest::answer(std::uint64_t id) {
  if (!run_until([&] { return answers_.count(id) > 0 || !gone_.empty(); })) {
    return Error{ErrorCode::timed_out, "no answer"};
  }
  const auto found = answers_.find(id);
  return found != answers_.end() ? found->second
                                 : Result<json>(Error{ErrorCode::device_lost, gone_});
}

Result<json> HostUnderTest::give_ring(ring::Geometry geometry) {
  const std::uint64_t id = next_id_++;
  auto ring = process_->give_ring(id, geometry);
  if (!ring.ok()) {
    return ring.error();
  }
  ring_ = *ring;
  return answer(id);
}

bool HostUnderTest::run_until(const std::function<bool()>& done) {
  const auto end = steady_clock::now() + kHangGuard;
  while (!done()) {
    if (steady_clock::now() > end) {
      return false;
    }
    loop.restart();
    loop.run_one_for(std::chrono::milliseconds(idle ? 1 : 50));
    if (idle) {
      idle();
    }
  }
  return true;
}

json HostUnderTest::event(const std::string& name) {
  json found;
  run_until([&] {
    for (auto event = events.begin(); event != events.end(); ++event) {
      if ((*event)["event"] == name) {
        found = std::move(*event);
        events.erase(event);
        return true;
      }
    }
    return !gone_.empty();
  });
  return found;
}

void HostUnderTest::hang_up() {
  process_.reset();
  ring_ = nullptr;
  run_until([this] { return launcher.running() == 0; });
}

}  // namespace creel::tests
