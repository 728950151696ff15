#include "client/calibrate/needs.h"

#include <algorithm>
#include <cmath>
#include <set>

#include "client/report/session_parts.h"
#include "protocol/base/text.h"
#include "protocol/series/calibration.h"

namespace creel::calibrate {

using nlohmann::json;

namespace {

constexpr double kFar = 3;  // standard deviations at which a typed value is called wrong

const Calibration* in_force(std::string_view kind, std::string_view rig, const Shelf& shelf,
                            std::int64_t at_utc_ns) {
  const Calibration* later = nullptr;
  for (const Calibration& one : shelf.records) {  // newest first
    if (one.kind != kind || one.rig != rig) continue;
    if (one.taken_utc_ns <= at_utc_ns) return &one;
    later = &one;
  }
  return later;
}

/// One that was taken afterwards holds as long back as it holds forward.
bool in_date(const Calibration& one, std::int64_t at_utc_ns) {
  const std::int64_t span = one.valid_until_utc_ns - one.taken_utc_ns;
  return at_utc_ns <= one.valid_until_utc_ns && at_utc_ns >= one.taken_utc_ns - span;
}

/// Exposure times of beam that no dark of the series has.
bool lacks_darks(const Series& series) {
  std::set<std::int64_t> lit;
  std::set<std::int64_t> dark;
  for (const Block& block : series.blocks) {
    (block.kind == ExposureKind::dark ? dark : lit).insert(block.exposure.value);
    for (const Interleave& between : block.interleave) {
      (between.kind == ExposureKind::dark ? dark : lit).insert(between.exposure.value);
    }
  }
  return !std::includes(dark.begin(), dark.end(), lit.begin(), lit.end());
}

/// Whether zero loss and core loss lie at different offsets of the axis.
bool moves_axis(const Series& series) {
  std::set<double> offsets;
  for (const Block& block : series.blocks) {
    const auto own = block.energy_offset_ev ? block.energy_offset_ev : series.energy_offset_ev;
    if (block.kind != ExposureKind::dark && own) offsets.insert(*own);
    for (const Interleave& between : block.interleave) {
      if (between.kind == ExposureKind::zero_loss) {
        offsets.insert(between.energy_offset_ev.value_or(own.value_or(0)));
      }
    }
  }
  return offsets.size() > 1;
}

bool rests_on(std::string_view kind, const Series& series) {
  const auto is_specimen = [](const Block& block) { return block.kind == ExposureKind::specimen; };
  const bool measures = std::any_of(series.blocks.begin(), series.blocks.end(), is_specimen);
  if (kind == "dark") return lacks_darks(series);
  if (kind == "shutter") return series.gating == Gating::shutter;
  if (kind == "residual") return !series.cathode_shutter.empty() && measures;
  if (kind == "emission") return series.guards.emission.has_value();
  if (kind == "energy-offset") return measures && moves_axis(series);
  if (kind == "point-spread") return false;  // nothing in the answer uses it
  return measures;
}

std::string advice(std::string_view kind) {
  return " (creel calibrate " + std::string(kind) + ")";
}

}  // namespace

std::string_view state_name(State state) {
  switch (state) {
    case State::in_date:
      return "in date";
    case State::stale:
      return "stale";
    case State::missing:
      return "missing";
    case State::does_not_hold:
      return "for other settings";
  }
  return "missing";
}

Need need(std::string_view kind, std::string_view rig, const json& series_document,
          const Shelf& shelf, std::int64_t at_utc_ns) {
  Need made;
  made.kind = kind;
  made.record = in_force(kind, rig, shelf, at_utc_ns);
  const std::string without = std::string(find_calibration_kind(kind)->without);
  const std::string begin = "calibration " + made.kind + ": ";
  if (made.record == nullptr) {
    made.state = State::missing;
    made.sentence = begin + "missing; " + without + advice(kind);
    return made;
  }
  if (const std::string other = does_not_hold(*made.record, series_document); !other.empty()) {
    made.state = State::does_not_hold;
    made.sentence = begin + "of " + utc_text(made.record->taken_utc_ns).substr(0, 10) +
                    " does not hold: " + other + "; " + without + advice(kind);
  } else if (!in_date(*made.record, at_utc_ns)) {
    made.state = State::stale;
    made.sentence = begin + "stale since " +
                    utc_text(made.record->valid_until_utc_ns).substr(0, 16) + "Z; " + without +
                    advice(kind);
  } else {
    made.state = State::in_date;
  }
  return made;
}

std::vector<Need> needs(const Series& series, std::string_view rig, const Shelf& shelf,
                        std::int64_t at_utc_ns) {
  std::vector<Need> found;
  for (const CalibrationKind& kind : kCalibrationKinds) {
    if (rests_on(kind.name, series)) {
      found.push_back(need(kind.name, rig, series.document, shelf, at_utc_ns));
    }
  }
  return found;
}

Result<const Calibration*> required(std::string_view kind, std::string_view rig,
                                    const json& series_document, const Shelf& shelf,
                                    std::int64_t at_utc_ns) {
  const Need made = need(kind, rig, series_document, shelf, at_utc_ns);
  if (made.state != State::in_date) return Error{ErrorCode::refused, made.sentence};
  return made.record;
}

std::vector<std::string> implausible(const Series& series, std::string_view rig,
                                     const Shelf& shelf) {
  std::vector<std::string> found;
  const auto typed = [&](const char* field) {
    return report::field_of(series.document, "microscope", field);
  };
  const json angle = typed("collection_semi_angle_mrad");
  const json length = typed("camera_length_mm");
  const json aperture = typed("entrance_aperture_mm");
  if (angle.is_number() && length.is_number() && aperture.is_number()) {
    const double expected = 1e3 * 0.5 * aperture.get<double>() / length.get<double>();
    const double ratio = angle.get<double>() / expected;
    if (!(ratio < kAngleFactor && ratio > 1 / kAngleFactor)) {
      found.push_back("microscope.collection_semi_angle_mrad: " + number(angle.get<double>()) +
                      " mrad, but half the entrance aperture over the camera length is " +
                      number(expected) + " mrad: more than a factor of " + number(kAngleFactor) +
                      " apart; is one of the three mistyped?");
    }
  }
  const auto against = [&](const char* kind, const char* name, std::optional<double> stated,
                           double own_sigma, const std::string& what) {
    const Calibration* record = shelf.newest(kind, rig);
    const CalibrationValue* value = record == nullptr ? nullptr : record->find(name);
    if (value == nullptr || !stated || !does_not_hold(*record, series.document).empty()) return;
    const double sigma = std::hypot(value->sigma, own_sigma);
    if (std::fabs(*stated - value->value) > kFar * sigma) {
      found.push_back(what + ": " + number(*stated, 5) + " is stated, the calibration of " +
                      utc_text(record->taken_utc_ns).substr(0, 10) + " found " +
                      number(value->value, 6) + " +- " + number(value->sigma, 2) + " " +
                      value->unit);
    }
  };
  against("energy", "dispersion_ev_per_channel", series.dispersion_ev, 0,
          "microscope.dispersion_ev_per_channel");
  against("dose-rate", "dose_rate_e_per_a2_s", series.beam.dose_rate.value,
          series.beam.dose_rate.value * series.beam.relative_uncertainty,
          "beam.dose_rate_e_per_a2_s");
  return found;
}

json to_json(const std::vector<Need>& needs) {
  json made = json::array();
  for (const Need& one : needs) {
    made.push_back({{"kind", one.kind},
                    {"state", state_name(one.state)},
                    {"sentence", one.sentence},
                    {"record", one.record == nullptr ? json() : json(one.record->origin)}});
  }
  return made;
}

}  // namespace creel::calibrate
