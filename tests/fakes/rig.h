// A fake rig: devices that outlive the daemon, and a Launcher whose hosts speak the real messages
// (protocol/host) to it on the fake timeline. It knows the truth: when the beam really was on the
// specimen.
#pragma once

#include <cstdint>
#include <functional>
#include <map>
#include <memory>
#include <nlohmann/json.hpp>
#include <random>
#include <string>
#include <vector>

#include "daemon/seams/launcher.h"
#include "protocol/series/rig.h"
#include "tests/fakes/timeline.h"

namespace creel::fakes {

/// What may go wrong with a call, drawn per call.
struct FaultRates {
  double crash = 0;       ///< the host dies instead of answering
  double hang = 0;        ///< no answer
  double refuse = 0;      ///< an error answer
  double lose_frame = 0;  ///< a frame never comes
  double torn_frame = 0;  ///< a frame comes marked incomplete
  double stuck = 0;       ///< a shutter does not move this time
  double drop_out = 0;    ///< the laser's power reads too low this time
};

struct FakeShutter {
  bool open = false;
  std::int64_t opened_ns = 0, closed_ns = 0;
  std::int64_t lease_until_ns = 0;
};

class FakeRig {
 public:
  FakeRig(Timeline& timeline, const Rig& rig, std::uint64_t seed, FaultRates faults);

  /// A Launcher for one daemon process; its hosts hang up when it goes.
  std::unique_ptr<Launcher> launcher(Timeline::Owner daemon);

  /// Called whenever a shutter that gates the dose opens, and whenever it closed.
  std::function<void(const std::string& shutter)> on_open;
  std::function<void()> on_closed;

  /// Seconds for which the beam has been on the specimen until now: every dose shutter open.
  [[nodiscard]] double lit_seconds() const;
  [[nodiscard]] bool lit() const;
  [[nodiscard]] std::uint64_t faults_drawn() const { return faults_drawn_; }
  FaultRates faults;

  static constexpr std::uint32_t kRows = 1;
  static constexpr std::uint32_t kColumns = 64;
  static constexpr std::int64_t kReadoutNs = 2'000'000;
  static constexpr std::int64_t kHangUpNs = 8'000'000;  ///< from hang-up to a closed shutter

 private:
  friend class FakeHost;
  friend class FakeLauncher;
  static constexpr Timeline::Owner kDevices = 1;

  bool draw(double rate);
  void move(const std::string& shutter, bool open);
  void light_changed();

  Timeline& timeline_;
  Rig rig_;
  std::mt19937_64 random_;
  std::map<std::string, FakeShutter> shutters_;
  std::int64_t lit_ns_ = 0;
  std::int64_t lit_since_ = -1;
  std::uint64_t faults_drawn_ = 0;
  std::uint64_t frames_ = 0;
};

/// For how long the beam really was on while a fake frame was taken; written into every one of
/// them.
double frame_lit_seconds(const std::vector<std::byte>& frame);

}  // namespace creel::fakes
