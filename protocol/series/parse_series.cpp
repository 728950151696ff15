#include "protocol/series/series.h"

#include <algorithm>

#include "protocol/base/text.h"
#include "protocol/json/strict_json.h"
#include "protocol/series/faults.h"
#include "protocol/series/schema_check.h"
#include "protocol/series/series_check.h"

namespace creel {
namespace {

using documents::Faults;
using documents::Pointer;
using nlohmann::json;

ExposureKind read_kind(const json& name) {
  for (const ExposureKind kind : {ExposureKind::specimen, ExposureKind::dark, ExposureKind::gain,
                                  ExposureKind::zero_loss, ExposureKind::background}) {
    if (exposure_kind_name(kind) == name.get_ref<const std::string&>()) {
      return kind;
    }
  }
  CREEL_INVARIANT(false, "the schema let an unknown kind of exposure pass");
}

/// A number, or nothing for "unknown" and for a field left out.
std::optional<double> known(const json& from, const char* field) {
  const auto at = from.find(field);
  if (at == from.end() || !at->is_number()) return std::nullopt;
  return at->get<double>();
}

Area read_area(const json& from) {
  Area area;
  area.name = from.at("name");
  area.grid = from.at("grid");
  area.square = from.value("square", "unknown");
  area.x_um = known(from, "x_um");
  area.y_um = known(from, "y_um");
  area.lit_diameter_nm = known(from, "lit_diameter_nm");
  area.dose_limit = Dose{from.at("dose_limit_e_per_a2").get<double>()};
  area.position = from.value("position", Position{});
  return area;
}

Beam read_beam(const json& from) {
  Beam beam;
  beam.dose_rate = DoseRate{from.at("dose_rate_e_per_a2_s").get<double>()};
  beam.relative_uncertainty = from.at("relative_uncertainty");
  beam.method = from.at("method");
  beam.measured_at = from.at("measured_at");
  if (const auto residual = known(from, "residual_e_per_a2_s")) beam.residual = DoseRate{*residual};
  return beam;
}

std::vector<Setting> read_settings(const json& from) {
  std::vector<Setting> settings;
  for (const json& setting : from.value("settings", json::array())) {
    settings.push_back({setting.at("device"), setting.at("name"), setting.at("value")});
  }
  return settings;
}

/// Reads blocks, and finds each exposure: given in seconds, in pulses, or (interleaves) left to the
/// block.
class BlockReader {
 public:
  BlockReader(std::optional<double> repetition_rate_khz, Faults& faults)
      : repetition_rate_khz_(repetition_rate_khz), faults_(faults) {}

  Block read(const json& from, const Pointer& at) const {
    Block block;
    block.name = from.at("name");
    block.kind = read_kind(from.at("kind"));
    block.where = from.value("where", "specimen") == "vacuum" ? Where::vacuum : Where::specimen;
    block.area = from.value("area", "");
    block.count = from.at("count");
    block.frames = from.value("frames", 1U);
    block.exposure = exposure(from, at, std::nullopt);
    const json interleaves = from.value("interleave", json::array());
    for (std::size_t i = 0; i < interleaves.size(); ++i) {
      block.interleave.push_back(
          read_interleave(interleaves[i], at / "interleave" / i, block.exposure));
    }
    block.settings = read_settings(from);
    block.energy_offset_ev = known(from, "energy_offset_ev");
    if (from.contains("vary")) {
      const json& vary = from.at("vary");
      block.vary =
          Vary{vary.at("device"), vary.at("axis"), vary.at("values").get<std::vector<double>>()};
    }
    return block;
  }

 private:
  Interleave read_interleave(const json& from, const Pointer& at, Duration of_block) const {
    Interleave interleave;
    interleave.kind = read_kind(from.at("kind"));
    interleave.every = from.at("every");
    interleave.count = from.value("count", 1U);
    interleave.frames = from.value("frames", 1U);
    interleave.exposure = exposure(from, at, of_block);
    interleave.settings = read_settings(from);
    interleave.energy_offset_ev = known(from, "energy_offset_ev");
    return interleave;
  }

  Duration exposure(const json& from, const Pointer& at, std::optional<Duration> otherwise) const {
    const bool in_seconds_given = from.contains("exposure_s");
    const bool in_pulses = from.contains("pulses");
    if (in_seconds_given && in_pulses) {
      faults_.error(at / "pulses",
                    "given together with exposure_s; only one of the two may be given");
    }
    if (in_seconds_given) return from_seconds(from.at("exposure_s").get<double>());
    if (in_pulses) return from_pulses(from.at("pulses").get<std::int64_t>(), at / "pulses");
    if (!otherwise) {
      faults_.error(at / "exposure_s",
                    "missing; must be a number of seconds, 1e-6 to 86400 (or give pulses instead)");
    }
    return otherwise.value_or(seconds(1));
  }

  Duration from_pulses(std::int64_t pulses, const Pointer& at) const {
    const std::string got = "got " + std::to_string(pulses);
    if (!repetition_rate_khz_) {
      faults_.error(
          at,
          got + ", but laser.repetition_rate_khz is unknown; give the rate, or exposure_s instead");
      return seconds(1);
    }
    const double time_s = static_cast<double>(pulses) / (*repetition_rate_khz_ * 1e3);
    if (time_s < 1e-6 || time_s > 86400) {
      faults_.error(at, got + ", which at laser.repetition_rate_khz = " +
                            documents::plain(*repetition_rate_khz_) + " take " +
                            documents::plain(time_s) + " seconds; must take 1e-6 to 86400 seconds");
      return seconds(1);
    }
    return from_seconds(time_s);
  }

  std::optional<double> repetition_rate_khz_;
  Faults& faults_;
};

void read_devices(const json& from, Series& series) {
  series.detector = from.at("detector");
  series.shutter = from.at("shutter");
  series.cathode_shutter = from.value("cathode_shutter", "");
  series.stage = from.value("stage", "");
  series.gauges = from.value("gauges", std::vector<std::string>{});
}

Patience read_patience(const json& from) {
  const Patience usual;
  return {from_seconds(from.value("wait_s", in_seconds(usual.again))),
          from_seconds(from.value("at_most_s", in_seconds(usual.at_most)))};
}

ClockLimit read_clock(const json& from) {
  ClockLimit clock;
  if (from.contains("ends_at")) {
    clock.ends_at_utc_ns = utc_from_text(from.at("ends_at").get_ref<const std::string&>());
  }
  if (const auto after = known(from, "ends_after_s")) clock.ends_after = from_seconds(*after);
  return clock;
}

DriftLimit read_drift(const json& from) {
  DriftLimit drift;
  drift.limit_ev = from.at("limit_ev");
  if (from.contains("recentre")) {
    const json& recentre = from.at("recentre");
    drift.device = recentre.at("device");
    drift.setting = recentre.at("setting");
    drift.most_recentres = recentre.value("at_most", drift.most_recentres);
  }
  return drift;
}

EmissionLimit read_emission(const json& from) {
  EmissionLimit emission;
  emission.below = from.at("below");
  emission.in_a_row = from.value("in_a_row", emission.in_a_row);
  emission.settle = from_seconds(from.value("settle_s", 0.0));
  emission.device = from.value("device", "");
  emission.channel = from.value("channel", "");
  emission.patience = read_patience(from);
  return emission;
}

DamageLimit read_damage(const json& from) {
  DamageLimit damage;
  damage.false_alarms_per_night = from.at("false_alarms_per_night");
  damage.learn_exposures = from.value("learn_exposures", damage.learn_exposures);
  damage.shift_sigma = from.value("shift_sigma", damage.shift_sigma);
  damage.slice_exposures = from.value("slice_exposures", damage.slice_exposures);
  const std::string then = from.value("then", "hold");
  damage.then = then == "end" ? OnDamage::end : then == "note" ? OnDamage::note : OnDamage::hold;
  return damage;
}

/// Those that look at measures of frames, and the critical dose beside them.
void read_frame_guards(const json& from, Guards& guards) {
  if (from.contains("zero_loss_drift")) {
    guards.zero_loss_drift = read_drift(from.at("zero_loss_drift"));
  }
  if (from.contains("emission")) guards.emission = read_emission(from.at("emission"));
  if (from.contains("contamination")) {
    const json& contamination = from.at("contamination");
    guards.contamination = ContaminationLimit{contamination.at("t_over_lambda_rise"),
                                              contamination.value("then", "hold") == "end"};
  }
  if (from.contains("broadening")) {
    guards.broadening = BroadeningLimit{from.at("broadening").at("zero_loss_fwhm_ev")};
  }
  if (from.contains("critical_dose")) {
    const json& critical = from.at("critical_dose");
    guards.critical_dose = CriticalDose{Dose{critical.at("dose_e_per_a2").get<double>()},
                                        critical.at("end_at_fraction"), critical.at("source")};
  }
  if (from.contains("damage")) guards.damage = read_damage(from.at("damage"));
}

Guards read_guards(const json& from) {
  Guards guards;
  guards.dose = Dose{from.at("dose_e_per_a2").get<double>()};
  if (from.contains("precision")) {
    const json& precision = from.at("precision");
    guards.precision = PrecisionLimit{precision.at("white_line_ratio_relative"),
                                      precision.value("least_exposures", 20U)};
  }
  if (from.contains("low_counts")) {
    const json& counts = from.at("low_counts");
    guards.low_counts =
        CountsLimit{counts.at("below"), counts.value("in_a_row", 2U), read_patience(counts)};
  }
  for (const json& band : from.value("gauges", json::array())) {
    guards.gauges.push_back({band.at("device"), band.at("channel"), known(band, "least"),
                             known(band, "most"), read_patience(band)});
  }
  if (from.contains("clock")) guards.clock = read_clock(from.at("clock"));
  read_frame_guards(from, guards);
  return guards;
}

/// What describes the specimen and its spectra, as far as the daemon itself uses it.
void read_description(const json& from, Series& series) {
  const json& specimen = from.at("specimen");
  series.elements = specimen.at("elements").get<std::vector<std::string>>();
  if (specimen.contains("composition")) {
    series.composition = specimen.at("composition").get<std::map<std::string, double>>();
  }
  const bool hydrogen =
      std::find(series.elements.begin(), series.elements.end(), "H") != series.elements.end();
  series.beam_sensitive = specimen.value("beam_sensitive", hydrogen);
  if (specimen.contains("known_oxidation_state")) {
    const json& known_state = specimen.at("known_oxidation_state");
    series.known_state = KnownState{known_state.at("element"), known_state.at("state"),
                                    known_state.at("known_from")};
  }
  series.dispersion_ev = known(from.at("microscope"), "dispersion_ev_per_channel");
  series.energy_offset_ev = known(from.at("microscope"), "energy_offset_ev");
}

Series read_series(const json& from, Faults& faults) {
  Series series;
  series.name = from.at("name");
  read_devices(from.at("devices"), series);
  if (from.contains("gating")) {
    const json& gating = from.at("gating");
    series.gating = gating.at("by") == "shutter" ? Gating::shutter : Gating::detector;
    series.gating_margin =
        from_seconds(gating.value("margin_ms", in_seconds(series.gating_margin) * 1e3) * 1e-3);
  }
  series.beam = read_beam(from.at("beam"));
  for (const json& area : from.at("areas")) series.areas.push_back(read_area(area));
  const BlockReader reader(known(from.at("laser"), "repetition_rate_khz"), faults);
  const json& blocks = from.at("blocks");
  for (std::size_t i = 0; i < blocks.size(); ++i) {
    series.blocks.push_back(reader.read(blocks[i], Pointer() / "blocks" / i));
  }
  if (from.contains("vacuum")) series.vacuum = from.at("vacuum").at("position").get<Position>();
  series.guards = read_guards(from.at("guards"));
  read_description(from, series);
  series.after_restart =
      from.at("after_restart") == "continue" ? AfterRestart::go_on : AfterRestart::hold;
  return series;
}

}  // namespace

Result<Series> parse_series(std::string_view text, std::string_view origin) {
  static const documents::SchemaCheck schema(series_schema());
  auto document = Document::parse(text, documents::kDocumentLimits, origin);
  if (!document.ok()) return document.error();
  Faults faults(*document, origin);
  if (!schema.check(*document, faults)) return faults.as_error();
  Series series = read_series(document->value, faults);
  series.document = document->value;
  documents::check_series(series, faults);
  if (faults.any()) return faults.as_error();
  series.text = text;
  series.origin = origin;
  series.warnings = faults.warnings();
  return series;
}

}  // namespace creel
