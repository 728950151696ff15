// The rig document (rig.json): the devices of one set-up and how far each can be trusted.
// Written by the person who built the set-up; read by creeld at its start. Schema: rig.schema.json.
//
// SAFETY: nothing here is a personnel-safety interlock; see protocol/driver/creel_driver.h.
#pragma once

#include <cstdint>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/base/result.h"
#include "protocol/base/units.h"

namespace creel {

enum class DeviceKind : std::uint8_t { detector, shutter, stage, gauge };
std::string_view kind_name(DeviceKind kind);

/// What stands between the source and the specimen when a shutter is closed.
enum class Blocks : std::uint8_t {
  cathode_laser,  ///< the laser to the cathode; some beam may remain (thermionic, field, stray
                  ///< light)
  electrons_above_specimen,  ///< ends the dose
  electrons_below_specimen,  ///< protects the detector only: the dose goes on
  pump_laser,                ///< the pump light to the specimen
};
std::string_view blocks_name(Blocks blocks);

/// "yes", "no", "unknown": an honest answer about the hardware.
enum class Answer3 : std::uint8_t { yes, no, unknown };

/// What a driver's process may touch. Everything not granted is denied (design: sandbox by
/// declaration).
struct Sandbox {
  bool network = false;
  bool usb = false;
  bool tty = false;
  std::vector<std::string> read_paths;   ///< files and directories it may read
  std::vector<std::string> write_paths;  ///< device nodes it may also write
};

struct RigDevice {
  std::string name;  ///< [a-z][a-z0-9_]*, unique in the rig
  DeviceKind kind = DeviceKind::gauge;
  std::string driver;  ///< plugin name: DRIVERS/<driver>.so
  /// Handed to the driver; its own business. What the document's `common` gives is in it.
  nlohmann::json config = nlohmann::json::object();
  Sandbox sandbox;
  // Shutters only:
  Blocks blocks = Blocks::electrons_above_specimen;
  Answer3 fails_safe =
      Answer3::unknown;  ///< does the device close by itself when its power or host goes?
  std::string fallback;  ///< the shutter that acts when this one does not close; "" = none
  Duration lease =
      seconds(2);  ///< the open lease: real time without renewal until its host closes it
  Duration closing_time = milliseconds(100);  ///< longest time from the order to closed
};

/// The microscope as it stands in the laboratory; "unknown" where nobody knows.
struct Microscope {
  std::string maker = "unknown";
  std::string model = "unknown";
  std::string serial = "unknown";
  std::string emitter = "unknown";
  std::string location = "unknown";
};

struct Rig {
  std::string name;
  Microscope microscope;
  bool accelerated = false;        ///< simulated rigs only: world time moves as fast as it can
  double speed = 1;                ///< world time runs so many times faster; no real devices then
  std::uint64_t seed = 1;          ///< simulated rigs only
  std::uint64_t shared_bytes = 0;  ///< memory that simulated devices share, beyond the world page
  std::vector<RigDevice> devices;
  std::string text;                   ///< the document verbatim, for the session
  std::string origin;                 ///< as given to parse_rig
  std::vector<std::string> warnings;  ///< sentences for the person: what is legal but unwise

  [[nodiscard]] const RigDevice* find(std::string_view device) const;
};

/// Reads and checks a rig document. `origin` names it in messages (a path, or "request").
/// The error lists every fault, one a line: origin:line, place, what was given, what is allowed. A
/// text that is not JSON has one fault; what fields mean together is looked at once each is right
/// by itself. Any thread.
Result<Rig> parse_rig(std::string_view text, std::string_view origin);

/// rig.schema.json, built in: JSON Schema draft-07; x-unit and x-form are ours, for messages.
std::string_view rig_schema();

}  // namespace creel
