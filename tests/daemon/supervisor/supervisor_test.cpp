// The supervisor over fake hosts on a fake clock.

#include "daemon/supervisor/supervisor.h"

#include <gtest/gtest.h>

#include "protocol/host/messages.h"
#include "tests/fakes/timeline.h"

namespace creel {
namespace {

using nlohmann::json;

/// A host that answers as the test says, and remembers what it was asked.
class ScriptedLauncher : public Launcher {
 public:
  struct Seen {
    std::string name;
    json arguments;
    std::int64_t at = 0;
  };
  explicit ScriptedLauncher(fakes::Timeline& timeline, Scheduler& scheduler)
      : timeline_(timeline), scheduler_(scheduler) {}

  std::vector<Seen> seen;
  std::vector<std::int64_t> launched;
  int hung_up = 0;
  bool launch_fails = false;
  /// The answer to a call; nothing = silence.
  std::function<std::optional<std::string>(const host::Call&)> answer = [](const host::Call& call) {
    return std::optional(host::make_answer(call.id, json{{"describe", json::object()}}));
  };
  HostListener* listener = nullptr;  ///< of the newest host

  [[nodiscard]] std::size_t count(const std::string& name) const {
    return static_cast<std::size_t>(
        std::count_if(seen.begin(), seen.end(), [&](const Seen& one) { return one.name == name; }));
  }

  Result<std::unique_ptr<HostProcess>> launch(const std::string&, std::string_view message,
                                              HostListener heard) override;

 private:
  friend class ScriptedHost;
  fakes::Timeline& timeline_;
  Scheduler& scheduler_;
};

class ScriptedHost : public HostProcess {
 public:
  ScriptedHost(ScriptedLauncher& launcher, HostListener listener)
      : launcher_(launcher), listener_(std::move(listener)) {
    launcher_.listener = &listener_;
  }
  ~ScriptedHost() override {
    *alive_ = false;
    ++launcher_.hung_up;
  }
  Result<void> send(std::string_view message) override {
    auto call = host::parse_call(message);
    EXPECT_TRUE(call.ok()) << message;
    launcher_.seen.push_back({call->name, call->arguments, launcher_.timeline_.now()});
    if (auto reply = launcher_.answer(*call)) {
      launcher_.scheduler_.post([this, alive = alive_, reply = *reply] {
        if (*alive) {
          listener_.on_message(reply);
        }
      });
    }
    return {};
  }
  Result<ring::Consumer*> give_ring(std::uint64_t, ring::Geometry) override {
    return Error{ErrorCode::refused, "no ring here"};
  }
  void ring_freed() override {}
  void kill() override {}

 private:
  ScriptedLauncher& launcher_;
  HostListener listener_;
  std::shared_ptr<bool> alive_ = std::make_shared<bool>(true);
};

Result<std::unique_ptr<HostProcess>> ScriptedLauncher::launch(const std::string&,
                                                              std::string_view message,
                                                              HostListener heard) {
  launched.push_back(timeline_.now());
  if (launch_fails) {
    return Error{ErrorCode::device_lost, "no such program"};
  }
  auto host = std::make_unique<ScriptedHost>(*this, std::move(heard));
  CREEL_TRY(host->send(message));
  return std::unique_ptr<HostProcess>(std::move(host));
}

class DeviceHostTest : public testing::Test {
 protected:
  DeviceHostTest() {
    device_.name = "beam_shutter";
    device_.kind = DeviceKind::shutter;
    device_.lease = seconds(2);
    host_ = std::make_unique<DeviceHost>(
        device_, "/drivers/x.so", DeviceHost::Parts{launcher_, scheduler_, timeline_, random_},
        limits_, DeviceHost::Listener{});
  }
  void run_for(Duration time) {
    const std::int64_t until = timeline_.now() + time.value;
    bool there = false;
    timeline_.add(99, until, [&there] { there = true; });
    while (!there && timeline_.step()) {
    }
  }
  /// The state of a call's reply.
  DeviceHost::Reply into(std::optional<Result<json>>& result) {
    return [&result](Result<json> answer) { result = std::move(answer); };
  }

  fakes::Timeline timeline_;
  fakes::TimelineScheduler scheduler_{timeline_, 5};
  ScriptedLauncher launcher_{timeline_, scheduler_};
  fakes::SeededRandom random_{1};
  SupervisionLimits limits_;
  RigDevice device_;
  std::unique_ptr<DeviceHost> host_;
};

TEST_F(DeviceHostTest, IsReadyOnceTheDeviceIsOpen) {
  host_->start();
  EXPECT_EQ(host_->state(), DeviceState::starting);
  run_for(milliseconds(1));
  EXPECT_EQ(host_->state(), DeviceState::ready);
}

TEST_F(DeviceHostTest, ACallBeforeReadyFailsAndSaysWhy) {
  std::optional<Result<json>> result;
  host_->call("settings", json::object(), into(result));
  EXPECT_FALSE(result.has_value()) << "never from inside call()";
  run_for(milliseconds(1));
  ASSERT_TRUE(result.has_value());
  EXPECT_EQ(result->error().code, ErrorCode::device_lost);
}

TEST_F(DeviceHostTest, SilenceIsStaleAndTheHostIsReplaced) {
  host_->start();
  run_for(seconds(1));
  launcher_.answer = [](const host::Call& call) {
    return call.name == "open" ? std::optional(host::make_answer(call.id, json::object()))
                               : std::nullopt;
  };
  run_for(limits_.heartbeat_silence + seconds(1));
  EXPECT_EQ(launcher_.hung_up, 1);
  EXPECT_EQ(launcher_.launched.size(), 2U);
}

TEST_F(DeviceHostTest, RestartsComeWithGrowingDelayUpToALimit) {
  launcher_.launch_fails = true;
  host_->start();
  run_for(seconds(300));
  const auto& at = launcher_.launched;
  ASSERT_GT(at.size(), 8U);
  // Each delay is spread over up to a quarter more.
  const auto within = [](std::int64_t delay, Duration least) {
    return delay >= least.value && delay <= least.value * 5 / 4;
  };
  EXPECT_TRUE(within(at[1] - at[0], limits_.first_restart));
  EXPECT_TRUE(within(at[2] - at[1], limits_.first_restart + limits_.first_restart));
  EXPECT_TRUE(within(at.back() - at[at.size() - 2], limits_.longest_restart));
}

TEST_F(DeviceHostTest, ARestartedDeviceGetsItsSettingsAgainBeforeItIsReady) {
  host_->start();
  run_for(milliseconds(1));
  std::optional<Result<json>> result;
  host_->set("travel_ms", 7, into(result));
  run_for(milliseconds(1));
  ASSERT_TRUE(result && result->ok());
  launcher_.listener->on_gone("crashed");
  EXPECT_EQ(host_->state(), DeviceState::waiting);
  const std::size_t before = launcher_.count("set");
  run_for(milliseconds(300));
  EXPECT_EQ(host_->state(), DeviceState::ready);
  ASSERT_EQ(launcher_.count("set"), before + 1);
}

TEST_F(DeviceHostTest, AnOpenShutterIsRenewedWellWithinItsLeaseUntilItIsClosed) {
  host_->start();
  run_for(milliseconds(1));
  std::optional<Result<json>> opened;
  host_->open_shutter({}, into(opened));
  run_for(seconds(10));
  EXPECT_GE(launcher_.count("renew"), 13U);
  std::int64_t last = 0;
  for (const auto& call : launcher_.seen) {
    if (call.name == "open_shutter" || call.name == "renew") {
      EXPECT_EQ(call.arguments["open_for_ns"], device_.lease.value);
      EXPECT_TRUE(last == 0 || call.at - last < device_.lease.value / 2);
      last = call.at;
    }
  }
  std::optional<Result<json>> closed;
  host_->close_shutter(into(closed));
  run_for(milliseconds(1));
  const std::size_t renewals = launcher_.count("renew");
  run_for(seconds(5));
  EXPECT_EQ(launcher_.count("renew"), renewals) << "a closed shutter is not renewed";
}

// Found by night 8: the daemon waited 10 s for a detector that hung, with the shutter open and
// renewed.
TEST_F(DeviceHostTest, NoRenewalReachesBeyondTheLongestOpening) {
  host_->start();
  run_for(milliseconds(1));
  const std::int64_t asked = timeline_.now();
  std::optional<Result<json>> opened;
  host_->open_shutter(seconds(5), into(opened));
  run_for(seconds(20));
  for (const auto& call : launcher_.seen) {
    if (call.name == "open_shutter" || call.name == "renew") {
      EXPECT_LE(call.at + call.arguments["open_for_ns"].get<std::int64_t>(),
                asked + seconds(5).value);
    }
  }
  EXPECT_GE(launcher_.count("renew"), 6U);
}

TEST_F(DeviceHostTest, ACallThatIsNotAnsweredTimesOutByName) {
  host_->start();
  run_for(milliseconds(1));
  launcher_.answer = [](const host::Call& call) {
    return call.name == "ping" ? std::optional(host::make_answer(call.id, json::object()))
                               : std::nullopt;
  };
  std::optional<Result<json>> result;
  host_->call("settings", json::object(), seconds(1), into(result));
  run_for(seconds(2));
  ASSERT_TRUE(result.has_value());
  EXPECT_EQ(result->error().code, ErrorCode::timed_out);
  EXPECT_EQ(result->error().text, "beam_shutter: no answer to 'settings' within 1000 ms");
}

TEST_F(DeviceHostTest, AHostThatTalksNonsenseIsReplaced) {
  host_->start();
  run_for(milliseconds(1));
  launcher_.listener->on_message("{\"id\": 1, \"id\": 2");
  run_for(milliseconds(300));
  EXPECT_EQ(launcher_.hung_up, 1);
  EXPECT_EQ(launcher_.launched.size(), 2U);
}

TEST_F(DeviceHostTest, EveryCallInFlightFailsWhenTheHostDies) {
  host_->start();
  run_for(milliseconds(1));
  launcher_.answer = [](const host::Call&) { return std::nullopt; };
  std::optional<Result<json>> a;
  std::optional<Result<json>> b;
  host_->call("settings", json::object(), into(a));
  host_->close_shutter(into(b));
  launcher_.listener->on_gone("killed by signal 9");
  ASSERT_TRUE(a && b);
  EXPECT_EQ(a->error().code, ErrorCode::device_lost);
  EXPECT_NE(b->error().text.find("killed by signal 9"), std::string::npos);
}

TEST(IsClosed, BelievesOnlyAMeasurementOrADeviceThatCannotMeasure) {
  EXPECT_TRUE(is_closed({{"measured", "closed"}, {"commanded", "closed"}}));
  EXPECT_TRUE(is_closed({{"measured", "not measured"}, {"commanded", "closed"}}));
  EXPECT_FALSE(is_closed({{"measured", "open"}, {"commanded", "closed"}}));
  EXPECT_FALSE(is_closed({{"measured", "moving"}, {"commanded", "closed"}}));
  EXPECT_FALSE(is_closed({{"measured", "not measured"}, {"commanded", "open"}}));
  EXPECT_FALSE(is_closed(json::object()));
}

}  // namespace
}  // namespace creel
