// Checks a series against the rig that it is to run on.

#include <utility>

#include "protocol/series/faults.h"
#include "protocol/series/rig.h"
#include "protocol/series/series.h"
#include "protocol/series/series_check.h"

namespace creel {
namespace {

using documents::Faults;
using documents::plain;
using documents::Pointer;

class RigMatch {
 public:
  RigMatch(const Series& series, const Rig& rig, Faults& faults)
      : series_(series), rig_(rig), faults_(faults) {}

  void run() {
    const Pointer devices("/devices");
    need(series_.detector, DeviceKind::detector, devices / "detector");
    if (const RigDevice* shutter =
            need(series_.shutter, DeviceKind::shutter, devices / "shutter")) {
      check_dose_shutter(*shutter, devices / "shutter");
    }
    if (!series_.cathode_shutter.empty()) check_cathode_shutter(devices / "cathode_shutter");
    if (!series_.stage.empty()) need(series_.stage, DeviceKind::stage, devices / "stage");
    for (std::size_t i = 0; i < series_.gauges.size(); ++i) {
      need(series_.gauges[i], DeviceKind::gauge, devices / "gauges" / i);
    }
    for (std::size_t i = 0; i < series_.blocks.size(); ++i) {
      check_block(series_.blocks[i], Pointer() / "blocks" / i);
    }
    if (const auto& drift = series_.guards.zero_loss_drift; drift && !drift->device.empty()) {
      need_any(drift->device, nullptr, Pointer("/guards/zero_loss_drift/recentre/device"));
    }
    check_limits();
  }

 private:
  [[nodiscard]] std::string rig_name() const { return "the rig \"" + rig_.name + "\""; }

  std::vector<std::string> names_of(const DeviceKind* kind) const {
    std::vector<std::string> names;
    for (const RigDevice& device : rig_.devices) {
      if (kind == nullptr || device.kind == *kind) names.push_back(device.name);
    }
    return names;
  }

  /// The device, or an error and nothing. `kind` null: any kind will do.
  const RigDevice* need_any(const std::string& name, const DeviceKind* kind, const Pointer& at) {
    const RigDevice* device = rig_.find(name);
    if (device == nullptr) {
      const std::vector<std::string> names = names_of(kind);
      faults_.error(at, "got \"" + name + "\", which " + rig_name() + " does not have" +
                            (names.empty() && kind != nullptr
                                 ? "; it has no " + std::string(kind_name(*kind)) + " at all"
                                 : documents::suggestion(name, names)));
      return nullptr;
    }
    if (kind != nullptr && device->kind != *kind) {
      faults_.error(at, "got \"" + name + "\", which is a " + std::string(kind_name(device->kind)) +
                            " in " + rig_name() + "; must be a " + std::string(kind_name(*kind)));
      return nullptr;
    }
    return device;
  }
  const RigDevice* need(const std::string& name, DeviceKind kind, const Pointer& at) {
    return need_any(name, &kind, at);
  }

  void check_dose_shutter(const RigDevice& shutter, const Pointer& at);
  void check_cathode_shutter(const Pointer& at);
  void check_block(const Block& block, const Pointer& at);
  void check_limits();

  const Series& series_;
  const Rig& rig_;
  Faults& faults_;
};

void RigMatch::check_dose_shutter(const RigDevice& shutter, const Pointer& at) {
  const std::string got = "got \"" + shutter.name + "\"";
  if (shutter.blocks == Blocks::electrons_below_specimen) {
    faults_.error(
        at,
        got +
            ", which blocks electrons_below_specimen: it protects the detector, but the specimen "
            "goes on getting dose; must be a shutter that blocks electrons_above_specimen or "
            "cathode_laser");
    return;
  }
  if (shutter.blocks == Blocks::pump_laser) {
    faults_.error(at,
                  got +
                      ", which blocks pump_laser and no electrons; must be a shutter that blocks "
                      "electrons_above_specimen or cathode_laser");
    return;
  }
  if (shutter.fails_safe != Answer3::yes) {
    faults_.warning(at,
                    "fails_safe of " + rig_name() + ": " + documents::power_cut_sentence(shutter));
  }
  if (shutter.fallback.empty()) faults_.warning(at, documents::no_fallback_sentence(shutter));
  if (shutter.blocks == Blocks::cathode_laser && !series_.beam.residual) {
    faults_.warning(
        at,
        got +
            ", which blocks the laser to the cathode, while beam.residual_e_per_a2_s is unknown: "
            "what the cathode still emits (thermionic, field, stray light) reaches the specimen "
            "all the time and is not in the ledger; measure it with the laser blocked");
  }
  if (series_.gating == Gating::shutter && series_.gating_margin < shutter.closing_time) {
    faults_.warning(Pointer("/gating"),
                    "the margin of " + plain(in_seconds(series_.gating_margin) * 1e3) +
                        " ms is shorter than the closing time of \"" + shutter.name + "\", " +
                        plain(in_seconds(shutter.closing_time) * 1e3) +
                        " ms: the end of an exposure may be cut off");
  }
}

void RigMatch::check_cathode_shutter(const Pointer& at) {
  const RigDevice* shutter = need(series_.cathode_shutter, DeviceKind::shutter, at);
  if (shutter != nullptr && shutter->blocks != Blocks::cathode_laser) {
    faults_.error(at, "got \"" + shutter->name + "\", which blocks " +
                          std::string(blocks_name(shutter->blocks)) + " in " + rig_name() +
                          "; must be a shutter that blocks cathode_laser");
  }
}

void RigMatch::check_block(const Block& block, const Pointer& at) {
  for (std::size_t i = 0; i < block.settings.size(); ++i) {
    need_any(block.settings[i].device, nullptr, at / "settings" / i / "device");
  }
  for (std::size_t i = 0; i < block.interleave.size(); ++i) {
    const std::vector<Setting>& settings = block.interleave[i].settings;
    for (std::size_t k = 0; k < settings.size(); ++k) {
      need_any(settings[k].device, nullptr, at / "interleave" / i / "settings" / k / "device");
    }
  }
  if (block.vary) need(block.vary->device, DeviceKind::stage, at / "vary" / "device");
}

/// What earlier sessions gave an area is in the ledger, not here: the engine adds it before it
/// starts.
void RigMatch::check_limits() {
  const RigDevice* shutter = rig_.find(series_.shutter);
  const Dose late = shutter == nullptr
                        ? Dose{}
                        : series_.beam.dose_rate * (shutter->lease + shutter->closing_time);
  for (std::size_t i = 0; i < series_.areas.size(); ++i) {
    const Area& area = series_.areas[i];
    const documents::PlannedDose planned = documents::planned_dose(series_, area);
    const Pointer at = Pointer() / "areas" / i / "dose_limit_e_per_a2";
    const std::string got = "got " + plain(area.dose_limit.value);
    if (planned.total > area.dose_limit) {
      faults_.error(at, got + "; " + documents::where_reached(series_, planned, area.dose_limit) +
                            "; must be at least the planned dose: take fewer or shorter exposures");
    } else if (!planned.shares.empty() && planned.total + late > area.dose_limit) {
      faults_.warning(at, got + "; the plan gives " + plain(planned.total.value) +
                              " e/A^2, which leaves less than the " + plain(late.value) +
                              " e/A^2 that one late closing may cost (lease and closing time): "
                              "the last exposures may be refused");
    }
  }
}

}  // namespace

Result<std::vector<std::string>> check_against_rig(const Series& series, const Rig& rig) {
  Document document;  // without a text there are no lines to name
  document.value = series.document;
  if (!series.text.empty()) {
    auto parsed = Document::parse(series.text, documents::kDocumentLimits, series.origin);
    if (!parsed.ok()) return parsed.error();
    document = std::move(parsed).value();
  }
  Faults faults(document, series.origin);
  RigMatch(series, rig, faults).run();
  if (faults.any()) return faults.as_error();
  return faults.warnings();
}

}  // namespace creel
