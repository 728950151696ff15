// What all replayed devices have in common. Config:
//   "session"         the session, absolute path of NAME.h5 or of a session's folder; the rig must
//                     grant it (sandbox read_paths)
//   "device"          its name in the session; default: the name here
//   "longest_wait_s"  world time: a longer pause of the recording is left out. Default 1, so that
//                     neither the daemon's patience nor an open lease ends meanwhile; more on a rig
//                     that runs faster
//   "free"            for trying things out: every order is taken, frames come in recorded order
//                     over and over, nothing is compared with the recording. Default false
// Otherwise what the daemon asks for must be what was recorded: the same series, on the same kind
// of daemon, gives the same night again.
#pragma once

#include <memory>
#include <nlohmann/json.hpp>
#include <string>

#include "drivers/kit/config.h"
#include "drivers/kit/kit.h"
#include "drivers/replay/place.h"
#include "drivers/replay/recording.h"
#include "protocol/session/reader.h"
#include "protocol/session/source.h"

namespace creel::replay {

/// One device's script, place and settings. Control thread, except where marked.
class Replayed {
 public:
  /// Opens the session and reads the script. Throws Failure.
  Replayed(const nlohmann::json& config, kit::Services services);

  const Recording& script() const { return script_; }
  Place& place() { return place_; }
  const Place& place() const { return place_; }
  session::Reader& reader() { return *reader_; }
  const session::Reader& reader() const { return *reader_; }
  const std::string& device() const { return device_; }
  bool free() const { return free_; }

  /// What the device said of itself, its identity included (what was learnt about a device holds
  /// for its replay too), with "replay" naming the session; fields that every description must have
  /// are filled in. Without the lists that the kit adds.
  [[nodiscard]] nlohmann::json description() const;

  [[nodiscard]] const nlohmann::json& settings() const { return settings_; }
  void set(const std::string& name, const nlohmann::json& value);

  /// The attempt with this number, or nullptr beyond the last.
  [[nodiscard]] const Attempt* attempt(std::uint64_t number) const;
  /// What to say when more is asked for than was recorded.
  [[nodiscard]] kit::Failure at_the_end() const;
  /// Fails as recorded, if the next attempt broke at this call of this device: it is then begun.
  void break_before_begin(Step step);
  /// When a recorded time is due, see Place::due.
  std::int64_t due(std::int64_t recorded_ns);
  /// false: cancelled.
  bool wait_until_due(std::int64_t recorded_ns) { return services_.wait_until(due(recorded_ns)); }
  [[nodiscard]] std::int64_t longest_wait_ns() const { return longest_wait_ns_; }

 private:
  struct Settings {
    std::string session, device;
    double longest_wait_s = 0;
    bool free = false;
  };
  Replayed(const Settings& from, kit::Services services);
  [[nodiscard]] nlohmann::json known_values(const std::string& name) const;

  kit::Services services_;
  std::string device_;
  std::int64_t longest_wait_ns_;
  bool free_;
  std::unique_ptr<session::FileSource> source_;
  std::unique_ptr<session::Reader> reader_;
  Recording script_;
  Place place_;
  nlohmann::json settings_;
};

/// The Failure that acts out a recorded one.
kit::Failure as_recorded(std::int32_t code, const Failure& failure);

}  // namespace creel::replay
