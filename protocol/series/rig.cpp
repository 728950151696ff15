#include "protocol/series/rig.h"

#include <algorithm>
#include <array>
#include <map>

#include "protocol/json/strict_json.h"
#include "protocol/series/faults.h"
#include "protocol/series/schema_check.h"

namespace creel {
namespace {

using documents::Faults;
using documents::Pointer;
using nlohmann::json;

constexpr std::array<std::string_view, 4> kKinds{"detector", "shutter", "stage", "gauge"};
constexpr std::array<std::string_view, 4> kBlocks{"cathode_laser", "electrons_above_specimen",
                                                  "electrons_below_specimen", "pump_laser"};
constexpr std::array<std::string_view, 3> kAnswers{"yes", "no", "unknown"};
/// Drivers behind which there is no hardware.
constexpr std::array<std::string_view, 3> kUnreal{"simulated", "replay", "blank"};

/// Place of `name` in `names`; the schema has made sure that it is there.
template <class Enum, std::size_t N>
Enum named(const std::array<std::string_view, N>& names, const json& name) {
  const auto at = std::find(names.begin(), names.end(), name.get_ref<const std::string&>());
  return static_cast<Enum>(at - names.begin());
}

bool ends_dose(Blocks blocks) {
  return blocks == Blocks::cathode_laser || blocks == Blocks::electrons_above_specimen;
}

Microscope read_microscope(const json& from) {
  return {from.at("maker"), from.at("model"), from.at("serial"), from.at("emitter"),
          from.at("location")};
}

Sandbox read_sandbox(const json& from) {
  Sandbox sandbox;
  sandbox.network = from.value("network", false);
  sandbox.usb = from.value("usb", false);
  sandbox.tty = from.value("tty", false);
  sandbox.read_paths = from.value("read_paths", std::vector<std::string>{});
  sandbox.write_paths = from.value("write_paths", std::vector<std::string>{});
  return sandbox;
}

RigDevice read_device(const json& from, const json& common) {
  RigDevice device;
  device.name = from.at("name");
  device.kind = named<DeviceKind>(kKinds, from.at("kind"));
  device.driver = from.at("driver");
  device.config = common.value(device.driver, json::object());
  device.config.update(from.value("config", json::object()));  // the device's own word counts
  device.sandbox = read_sandbox(from.value("sandbox", json::object()));
  if (from.contains("blocks")) device.blocks = named<Blocks>(kBlocks, from.at("blocks"));
  if (from.contains("fails_safe"))
    device.fails_safe = named<Answer3>(kAnswers, from.at("fails_safe"));
  device.fallback = from.value("fallback", "");
  device.lease = from_seconds(from.value("lease_s", in_seconds(device.lease)));
  device.closing_time =
      from_seconds(from.value("closing_time_ms", in_seconds(device.closing_time) * 1e3) * 1e-3);
  return device;
}

/// What the fields of a rig mean together.
class RigCheck {
 public:
  RigCheck(const Rig& rig, const json& document, Faults& faults)
      : rig_(rig), document_(document), faults_(faults) {}

  void run() {
    std::map<std::string, std::size_t> seen;
    for (std::size_t i = 0; i < rig_.devices.size(); ++i) {
      const Pointer at = Pointer() / "devices" / i;
      const RigDevice& device = rig_.devices[i];
      const auto [first, is_new] = seen.emplace(device.name, i);
      if (!is_new) {
        faults_.error(at / "name", "got \"" + device.name + "\", which devices[" +
                                       std::to_string(first->second) +
                                       "] has already; each device needs a name of its own");
      }
      if (device.kind == DeviceKind::shutter) {
        check_shutter(device, at);
      } else {
        check_not_shutter(device, at);
      }
      check_time(device);
      check_paths(device, at);
    }
    check_speed();
  }

 private:
  void check_shutter(const RigDevice& device, const Pointer& at) {
    const json& given = document_.at(at);
    if (!given.contains("blocks")) {
      faults_.error(at / "blocks",
                    "missing; a shutter must say what it blocks: \"cathode_laser\", "
                    "\"electrons_above_specimen\", \"electrons_below_specimen\" or \"pump_laser\"");
    }
    if (!given.contains("fails_safe")) {
      faults_.error(
          at / "fails_safe",
          "missing; a shutter must say whether it closes by itself without power: \"yes\", "
          "\"no\" or \"unknown\"");
    }
    if (device.lease < device.closing_time) {
      faults_.error(at / "closing_time_ms",
                    "got " + documents::plain(in_seconds(device.closing_time) * 1e3) +
                        ", longer than the open lease; must be at most lease_s = " +
                        documents::plain(in_seconds(device.lease)) + " seconds");
    }
    check_fallback(device, at);
    if (ends_dose(device.blocks) && given.contains("fails_safe") &&
        device.fails_safe != Answer3::yes) {
      faults_.warning(at / "fails_safe", documents::power_cut_sentence(device));
    }
  }

  void check_fallback(const RigDevice& device, const Pointer& at) {
    if (device.fallback.empty()) {
      if (ends_dose(device.blocks)) faults_.warning(at, documents::no_fallback_sentence(device));
      return;
    }
    const Pointer place = at / "fallback";
    const std::string got = "got \"" + device.fallback + "\"";
    const RigDevice* other = rig_.find(device.fallback);
    if (other == nullptr) {
      faults_.error(place, got + ", which is no device of this rig" +
                               documents::suggestion(device.fallback, other_shutters(device)));
    } else if (device.fallback == device.name) {
      faults_.error(place, got + ", the shutter itself; must be another shutter");
    } else if (other->kind != DeviceKind::shutter) {
      faults_.error(place, got + ", which is a " + std::string(kind_name(other->kind)) +
                               "; must be another shutter");
    } else if (ends_dose(device.blocks) && !ends_dose(other->blocks)) {
      faults_.error(place, got + ", which blocks " + std::string(blocks_name(other->blocks)) +
                               " and so does not end the dose; must be a shutter that blocks "
                               "cathode_laser or electrons_above_specimen");
    }
  }

  void check_not_shutter(const RigDevice& device, const Pointer& at) {
    for (const char* field : {"blocks", "fails_safe", "fallback", "lease_s", "closing_time_ms"}) {
      if (document_.at(at).contains(field)) {
        faults_.error(at / field, "only a shutter has this field; \"" + device.name + "\" is a " +
                                      std::string(kind_name(device.kind)));
      }
    }
  }

  /// A real device cannot be hurried, and a device that reaches hardware is real.
  void check_time(const RigDevice& device) {
    const Sandbox& may = device.sandbox;
    if (rig_.accelerated && (may.network || may.usb || may.tty || !may.write_paths.empty())) {
      faults_.error(Pointer("/accelerated"),
                    "got true; must be false, because the device \"" + device.name +
                        "\" reaches hardware and real devices keep real time");
    }
  }

  void check_speed() {
    if (rig_.speed == 1) return;
    const Pointer at("/speed");
    const std::string got = "got " + documents::plain(rig_.speed);
    if (rig_.accelerated) {
      faults_.error(at, got +
                            " and accelerated: true; must be one or the other: an accelerated rig "
                            "runs as fast as it can");
      return;
    }
    std::string real;
    for (const RigDevice& device : rig_.devices) {
      if (std::find(kUnreal.begin(), kUnreal.end(), device.driver) == kUnreal.end()) {
        real += (real.empty() ? "\"" : ", \"") + device.name + "\" (" + device.driver + ")";
      }
    }
    if (!real.empty()) {
      faults_.error(at, got + "; must be 1, because real devices keep real time: " + real +
                            ". Only the drivers simulated, replay and blank can be hurried");
    }
  }

  void check_paths(const RigDevice& device, const Pointer& at) {
    const auto whole_disk = [](const std::string& path) {
      return path.find_first_not_of("/.") == std::string::npos;
    };
    for (const auto& [paths, field] : {std::pair{&device.sandbox.read_paths, "read_paths"},
                                       {&device.sandbox.write_paths, "write_paths"}}) {
      for (std::size_t i = 0; i < paths->size(); ++i) {
        if (whole_disk((*paths)[i])) {
          faults_.warning(at / "sandbox" / field / i,
                          "gives the driver the whole file system; name only "
                          "the files it needs");
        }
      }
    }
  }

  [[nodiscard]] std::vector<std::string> other_shutters(const RigDevice& than) const {
    std::vector<std::string> names;
    for (const RigDevice& device : rig_.devices) {
      if (device.kind == DeviceKind::shutter && device.name != than.name)
        names.push_back(device.name);
    }
    return names;
  }

  const Rig& rig_;
  const json& document_;
  Faults& faults_;
};

Rig read_rig(const json& from) {
  Rig rig;
  rig.name = from.at("name");
  rig.microscope = read_microscope(from.at("microscope"));
  rig.accelerated = from.value("accelerated", false);
  rig.speed = from.value("speed", 1.0);
  rig.seed = from.value("seed", std::uint64_t{1});
  rig.shared_bytes = from.value("shared_bytes", std::uint64_t{0});
  const json common = from.value("common", json::object());
  for (const json& device : from.at("devices")) rig.devices.push_back(read_device(device, common));
  return rig;
}

}  // namespace

namespace documents {

std::string power_cut_sentence(const RigDevice& shutter) {
  const std::string lease = plain(in_seconds(shutter.lease));
  if (shutter.fails_safe == Answer3::no) {
    return "got \"no\": at a power cut the shutter \"" + shutter.name +
           "\" stays as it is; if it stands open, the beam stays on the specimen until someone "
           "closes it, "
           "and the ledger charges no more than up to the end of the lease (" +
           lease + " s)";
  }
  return "got \"unknown\": at a power cut nobody can say whether the shutter \"" + shutter.name +
         "\" closes; if it stays open, the beam stays on the specimen until someone closes it, and "
         "the "
         "ledger charges no more than up to the end of the lease (" +
         lease +
         " s); try it once and "
         "write \"yes\" or \"no\"";
}

std::string no_fallback_sentence(const RigDevice& shutter) {
  return "no fallback is named: when the shutter \"" + shutter.name +
         "\" does not close, Creel can only raise an alarm, and the dose goes on until someone "
         "closes it";
}

}  // namespace documents

std::string_view kind_name(DeviceKind kind) {
  return kKinds.at(static_cast<std::size_t>(kind));
}
std::string_view blocks_name(Blocks blocks) {
  return kBlocks.at(static_cast<std::size_t>(blocks));
}

const RigDevice* Rig::find(std::string_view device) const {
  const auto at = std::find_if(devices.begin(), devices.end(),
                               [&](const RigDevice& one) { return one.name == device; });
  return at == devices.end() ? nullptr : &*at;
}

Result<Rig> parse_rig(std::string_view text, std::string_view origin) {
  static const documents::SchemaCheck schema(rig_schema());
  const auto document = Document::parse(text, documents::kDocumentLimits, origin);
  if (!document.ok()) return document.error();
  Faults faults(*document, origin);
  if (!schema.check(*document, faults)) return faults.as_error();
  Rig rig = read_rig(document->value);
  RigCheck(rig, document->value, faults).run();
  if (faults.any()) return faults.as_error();
  rig.text = text;
  rig.origin = origin;
  rig.warnings = faults.warnings();
  return rig;
}

}  // namespace creel
