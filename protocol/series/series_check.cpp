#include "protocol/series/series_check.h"

#include <algorithm>
#include <cstdlib>
#include <map>
#include <optional>
#include <set>

#include "protocol/series/measures.h"

namespace creel::documents {
namespace {

using nlohmann::json;

constexpr double kMostFrames = 1e9;

std::string quote(std::string_view text) {
  return "\"" + std::string(text) + "\"";
}

std::string kind_text(ExposureKind kind) {
  return std::string(exposure_kind_name(kind));
}

/// Whether a date that fits the schema's pattern exists ("2026-02-30" does not). RFC 3339 appendix
/// C: a year is a leap year when divisible by 4, but not by 100 unless by 400.
bool day_exists(const std::string& date) {
  if (date.size() < 10) return true;  // "unknown"
  const int year = std::atoi(date.substr(0, 4).c_str());
  const int month = std::atoi(date.substr(5, 2).c_str());
  const int day = std::atoi(date.substr(8, 2).c_str());
  const bool leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
  constexpr int kDays[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
  return day <= kDays[month - 1] + (leap && month == 2 ? 1 : 0);
}

class SeriesCheck {
 public:
  SeriesCheck(const Series& series, Faults& faults)
      : series_(series), document_(series.document), faults_(faults) {}

  void run() {
    check_areas();
    check_devices();
    check_dates();
    check_elements();
    check_known_state();
    check_positions();
    check_guards();
    check_clock();
    check_frame_guards();
    for (std::size_t i = 0; i < series_.blocks.size(); ++i) check_block(i);
    check_block_names();
    check_length();
    check_beam();
    if (faults_.any()) return;  // what follows is about a plan that makes sense
    check_doses();
    check_unused_areas();
    check_plausibility();
    warn_of_damage();
    list_unknowns();
  }

 private:
  void check_areas();
  void check_devices();
  void check_dates();
  void check_elements();
  void check_block(std::size_t number);
  void check_place(const Block& block, const Pointer& at);
  void check_area_of(const Block& block, const Pointer& at);
  void check_interleaves(const Block& block, const Pointer& at);
  void check_interleave_settings(const Block& block, std::size_t number, const Pointer& at);
  void check_frames(std::uint32_t frames, const Pointer& at);
  void check_positions();
  void check_guards();
  void check_clock();
  void check_frame_guards();
  void check_recentre();
  void check_emission();
  void check_damage();
  void check_known_state();
  void check_background(ExposureKind kind, const Pointer& at);
  void check_block_names();
  void check_length();
  void check_beam();
  void check_doses();
  void check_unused_areas();
  void check_plausibility();
  void warn_of_damage();
  void list_unknowns();
  void warn_outside(const char* field, double low, double high, const std::string& usual);
  void collect_unknowns(const json& value, const std::string& place,
                        std::vector<std::string>& found) const;

  /// Refuses a text that stands in the list already. `seen` gathers them.
  void refuse_repeated(std::map<std::string, std::size_t>& seen, const std::string& value,
                       std::size_t number, const Pointer& at, const std::string& list,
                       const std::string& why) {
    const auto [first, is_new] = seen.emplace(value, number);
    if (!is_new) {
      faults_.error(at, "got " + quote(value) + ", which " + list + "[" +
                            std::to_string(first->second) + "] " + why);
    }
  }

  const Series& series_;
  const json& document_;
  Faults& faults_;
};

void SeriesCheck::check_areas() {
  std::map<std::string, std::size_t> seen;
  for (std::size_t i = 0; i < series_.areas.size(); ++i) {
    refuse_repeated(seen, series_.areas[i].name, i, Pointer() / "areas" / i / "name", "areas",
                    "has already; each area needs a name of its own");
  }
}

void SeriesCheck::check_devices() {
  const Pointer devices("/devices");
  if (series_.cathode_shutter == series_.detector) {
    faults_.error(devices / "cathode_shutter",
                  "got " + quote(series_.detector) + ", which is the detector; must be a shutter");
  }
  if (series_.shutter == series_.detector) {
    faults_.error(devices / "shutter",
                  "got " + quote(series_.detector) + ", which is the detector; must be a shutter");
  }
  std::map<std::string, std::size_t> seen;
  for (std::size_t i = 0; i < series_.gauges.size(); ++i) {
    refuse_repeated(seen, series_.gauges[i], i, devices / "gauges" / i, "gauges",
                    "names already; each gauge may be named once");
  }
}

void SeriesCheck::check_dates() {
  const auto check = [&](const Pointer& at) {
    const auto& date = document_.at(at).get_ref<const std::string&>();
    if (!day_exists(date)) faults_.error(at, "got " + quote(date) + "; that month has no such day");
  };
  check(Pointer("/beam/measured_at"));
  check(Pointer("/specimen/preparation/date"));
  const Pointer steps("/specimen/preparation/steps");
  for (std::size_t i = 0; i < document_.at(steps).size(); ++i) check(steps / i / "at");
}

void SeriesCheck::check_elements() {
  std::map<std::string, std::size_t> seen;
  const Pointer at("/specimen/elements");
  const json& elements = document_.at(at);
  for (std::size_t i = 0; i < elements.size(); ++i) {
    refuse_repeated(seen, elements[i], i, at / i, "elements",
                    "names already; each element is named once");
  }
  for (const auto& [element, atoms] : series_.composition) {
    if (!seen.contains(element)) {
      faults_.error(Pointer("/specimen/composition") / element,
                    "got " + quote(element) + ", which is not in specimen.elements" +
                        suggestion(element, series_.elements));
    }
  }
}

void SeriesCheck::check_block(std::size_t number) {
  const Block& block = series_.blocks[number];
  const Pointer at = Pointer() / "blocks" / number;
  check_place(block, at);
  check_area_of(block, at);
  check_interleaves(block, at);
  check_background(block.kind, at / "kind");
  check_frames(block.frames, at);
  for (std::size_t i = 0; i < block.interleave.size(); ++i) {
    check_frames(block.interleave[i].frames, at / "interleave" / i);
  }
}

/// The shutter's edge can begin and end one frame, not many.
void SeriesCheck::check_frames(std::uint32_t frames, const Pointer& at) {
  if (frames > 1 && series_.gating == Gating::shutter) {
    faults_.error(at / "frames",
                  "got " + std::to_string(frames) + "; must be 1 where gating.by is \"shutter\"");
  }
}

void SeriesCheck::check_place(const Block& block, const Pointer& at) {
  const bool given = document_.at(at).contains("where");
  if (block.kind == ExposureKind::specimen && block.where == Where::vacuum) {
    faults_.error(at / "where",
                  "got \"vacuum\"; must be \"specimen\" or left out in a block of kind specimen");
  } else if (block.kind == ExposureKind::dark && given) {
    faults_.error(at / "where",
                  "a dark block has no such field: its shutter stays closed; leave it out");
  } else if (!given && block.kind != ExposureKind::specimen && block.kind != ExposureKind::dark) {
    faults_.error(at / "where",
                  "missing; a block of kind " + kind_text(block.kind) +
                      " must say \"specimen\" (gives dose) or \"vacuum\" (gives none)");
  }
}

void SeriesCheck::check_area_of(const Block& block, const Pointer& at) {
  const bool needs = block.kind == ExposureKind::specimen ||
                     (block.kind != ExposureKind::dark && block.where == Where::specimen);
  std::vector<std::string> names;
  for (const Area& area : series_.areas) names.push_back(area.name);
  if (!needs && !block.area.empty()) {
    faults_.error(at / "area", "got " + quote(block.area) +
                                   "; must be left out, because this block gives no dose");
  } else if (needs && block.area.empty()) {
    faults_.error(at / "area",
                  "missing; a block that sends beam through the specimen must name the area" +
                      (names.empty() ? ", and areas is empty" : suggestion("", names)));
  } else if (needs && series_.find_area(block.area) == nullptr) {
    faults_.error(at / "area", "got " + quote(block.area) + ", which is not in areas" +
                                   suggestion(block.area, names));
  }
}

void SeriesCheck::check_interleaves(const Block& block, const Pointer& at) {
  for (std::size_t i = 0; i < block.interleave.size(); ++i) {
    const ExposureKind kind = block.interleave[i].kind;
    const Pointer place = at / "interleave" / i / "kind";
    if (kind == block.kind) {
      faults_.error(place, "got " + quote(kind_text(kind)) +
                               ", the kind of the block itself; must be another kind");
    } else if (block.kind == ExposureKind::dark) {
      faults_.error(place, "got " + quote(kind_text(kind)) +
                               "; must be left out: a dark block has no beam and no area for it");
    }
    check_background(kind, place);
    check_interleave_settings(block, i, at / "interleave" / i / "settings");
  }
}

/// After the interleaved frames each setting goes back to the block's own: so there must be one.
void SeriesCheck::check_interleave_settings(const Block& block, std::size_t number,
                                            const Pointer& at) {
  const std::vector<Setting>& settings = block.interleave[number].settings;
  for (std::size_t i = 0; i < settings.size(); ++i) {
    const bool known = std::any_of(block.settings.begin(), block.settings.end(),
                                   [&](const Setting& one) { return one.is_same(settings[i]); });
    if (!known) {
      faults_.error(at / i / "name",
                    "got " + quote(settings[i].name) + " of " + quote(settings[i].device) +
                        ", which the block's own settings do not state; must be stated there too, "
                        "because that is what it goes back to");
    }
  }
}

/// A position means something only to a stage, and the same axes must stand in all of them:
/// otherwise where an area is would depend on where the stage was before.
void SeriesCheck::check_positions() {
  std::vector<std::pair<Pointer, const Position*>> places;
  for (std::size_t i = 0; i < series_.areas.size(); ++i) {
    if (!series_.areas[i].position.empty()) {
      places.emplace_back(Pointer() / "areas" / i / "position", &series_.areas[i].position);
    }
  }
  if (!series_.vacuum.empty()) {
    places.emplace_back(Pointer("/vacuum/position"), &series_.vacuum);
  }
  const auto axes = [](const Position& position) {
    std::string names;
    for (const auto& [axis, value] : position) names += (names.empty() ? "" : ", ") + axis;
    return names;
  };
  for (const auto& [at, position] : places) {
    if (series_.stage.empty()) {
      faults_.error(at, "given, but devices.stage is not; must name the stage that moves there");
    } else if (axes(*position) != axes(*places.front().second)) {
      faults_.error(at, "got the axes " + axes(*position) +
                            "; must be the same in all positions: " + axes(*places.front().second));
    }
  }
}

void SeriesCheck::check_guards() {
  for (std::size_t i = 0; i < series_.guards.gauges.size(); ++i) {
    const GaugeBand& band = series_.guards.gauges[i];
    const Pointer at = Pointer() / "guards" / "gauges" / i;
    if (std::find(series_.gauges.begin(), series_.gauges.end(), band.device) ==
        series_.gauges.end()) {
      faults_.error(at / "device", "got " + quote(band.device) +
                                       ", which is not in devices.gauges" +
                                       suggestion(band.device, series_.gauges));
    }
    if (!band.least && !band.most) {
      faults_.error(at, "has neither least nor most; must have at least one of them");
    } else if (band.least && band.most && !(*band.least < *band.most)) {
      faults_.error(at / "most",
                    "got " + plain(*band.most) + "; must be above least = " + plain(*band.least));
    }
  }
}

void SeriesCheck::check_clock() {
  const Pointer at("/guards/clock/ends_at");
  if (document_.contains(at) && !series_.guards.clock->ends_at_utc_ns) {
    faults_.error(at, "got " + quote(document_.at(at).get_ref<const std::string&>()) +
                          "; that month has no such day");
  }
}

/// A guard that can never act is worse than none.
void SeriesCheck::check_frame_guards() {
  const Guards& guards = series_.guards;
  if (!guards.look_at_frames()) return;
  const Pointer at("/guards");
  if (!series_.dispersion_ev || !series_.energy_offset_ev) {
    faults_.error(at,
                  "has guards that look at spectra (zero_loss_drift, emission, contamination, "
                  "broadening, damage), but the energy axis is unknown; must state "
                  "microscope.dispersion_ev_per_channel and microscope.energy_offset_ev");
  }
  const bool streams =
      std::any_of(series_.blocks.begin(), series_.blocks.end(), [](const Block& block) {
        return block.frames > 1 ||
               std::any_of(block.interleave.begin(), block.interleave.end(),
                           [](const Interleave& one) { return one.frames > 1; });
      });
  if (streams) {
    faults_.error(at,
                  "has guards that look at spectra, but some exposures have many frames, which "
                  "come faster than they can be looked into; frames must be 1, or leave them out");
  }
  const auto need = [&](bool asked, const char* field, MeasureKind kind, const char* what) {
    if (asked && planned_measures(series_, kind, 1) == 0) {
      faults_.error(at / field, std::string("given, but the series has no ") + what +
                                    ", which it looks at; must have some");
    }
  };
  need(guards.zero_loss_drift.has_value(), "zero_loss_drift", MeasureKind::zero_loss_ev,
       "zero_loss exposures");
  need(guards.broadening.has_value(), "broadening", MeasureKind::zero_loss_fwhm_ev,
       "zero_loss exposures");
  need(guards.contamination.has_value(), "contamination", MeasureKind::t_over_lambda,
       "zero_loss exposures through the specimen");
  check_recentre();
  check_emission();
  check_damage();
}

/// What is not stated by a block is not set for it, and so could not be moved for it either.
void SeriesCheck::check_recentre() {
  const auto& drift = series_.guards.zero_loss_drift;
  if (!drift || drift->device.empty()) return;
  const Setting wanted{drift->device, drift->setting, {}};
  for (const Block& block : series_.blocks) {
    const bool stated = std::any_of(
        block.settings.begin(), block.settings.end(),
        [&](const Setting& one) { return one.is_same(wanted) && one.value.is_number(); });
    if (block.kind != ExposureKind::dark && !stated) {
      faults_.error(Pointer("/guards/zero_loss_drift/recentre/setting"),
                    "got " + quote(drift->setting) + " of " + quote(drift->device) +
                        ", which block " + quote(block.name) +
                        " does not state as a number; every block with beam must state it in its "
                        "settings");
    }
  }
}

void SeriesCheck::check_emission() {
  const auto& emission = series_.guards.emission;
  if (!emission) return;
  const Pointer at("/guards/emission");
  if (emission->device.empty() != emission->channel.empty()) {
    faults_.error(at, "has only one of device and channel; must have both or neither");
  } else if (!emission->device.empty() && std::find(series_.gauges.begin(), series_.gauges.end(),
                                                    emission->device) == series_.gauges.end()) {
    faults_.error(at / "device", "got " + quote(emission->device) +
                                     ", which is not in devices.gauges" +
                                     suggestion(emission->device, series_.gauges));
  }
  if (emission->settle > Duration{} &&
      (series_.cathode_shutter.empty() || series_.cathode_shutter == series_.shutter)) {
    faults_.error(at / "settle_s",
                  "given, but the cathode cannot settle with the electrons kept from the specimen; "
                  "needs devices.cathode_shutter and another dose shutter");
  }
}

void SeriesCheck::check_damage() {
  const auto& damage = series_.guards.damage;
  if (!damage) return;
  const std::uint64_t least = damage->learn_exposures + 2;
  const bool any =
      std::any_of(std::begin(kMeasureKinds), std::end(kMeasureKinds), [&](MeasureKind kind) {
        return is_damage_measure(kind) &&
               planned_measures(series_, kind, damage->slice_exposures) >= least;
      });
  if (!any) {
    faults_.warning(
        Pointer("/guards/damage"),
        "will never act: too few exposures to learn from and to test; it needs at least " +
            std::to_string(least) +
            " specimen exposures, or zero_loss exposures through the specimen");
  }
}

void SeriesCheck::check_known_state() {
  if (!series_.known_state) return;
  const std::string& element = series_.known_state->element;
  if (std::find(series_.elements.begin(), series_.elements.end(), element) ==
      series_.elements.end()) {
    faults_.error(Pointer("/specimen/known_oxidation_state/element"),
                  "got " + quote(element) + ", which is not in specimen.elements" +
                      suggestion(element, series_.elements));
  }
}

void SeriesCheck::check_background(ExposureKind kind, const Pointer& at) {
  if (kind != ExposureKind::background) return;
  if (series_.cathode_shutter.empty()) {
    faults_.error(
        at,
        "got \"background\", which blocks the laser to the cathode; needs devices.cathode_shutter");
  } else if (series_.cathode_shutter == series_.shutter) {
    faults_.error(
        at,
        "got \"background\", which needs the electron path open while the laser is blocked; "
        "devices.cathode_shutter must be another shutter than devices.shutter");
  }
}

void SeriesCheck::check_block_names() {
  std::map<std::string, std::size_t> seen;
  for (std::size_t i = 0; i < series_.blocks.size(); ++i) {
    refuse_repeated(seen, series_.blocks[i].name, i, Pointer() / "blocks" / i / "name", "blocks",
                    "has already; each block needs a name of its own");
  }
}

void SeriesCheck::check_length() {
  double total = 0;  // in doubles: the product of the largest counts would not fit an integer
  for (const Block& block : series_.blocks) {
    double per_value = static_cast<double>(block.count) * block.frames;
    for (const Interleave& one : block.interleave) {
      per_value += static_cast<double>(times_taken(one, block.count) * one.count) * one.frames;
    }
    total += per_value * static_cast<double>(block.vary ? block.vary->values.size() : 1);
  }
  if (total > kMostFrames) {
    faults_.error(Pointer("/blocks"), "the series has " + plain(total) +
                                          " frames in all; must be at most " + plain(kMostFrames));
  }
}

void SeriesCheck::check_beam() {
  const Beam& beam = series_.beam;
  const Pointer at("/beam");
  if (beam.method == "unknown") {
    faults_.error(at / "method",
                  "got \"unknown\"; must name the measurement, because every dose follows from it");
  }
  if (beam.residual && *beam.residual >= beam.dose_rate) {
    faults_.error(at / "residual_e_per_a2_s",
                  "got " + plain(beam.residual->value) + "; must be below dose_rate_e_per_a2_s = " +
                      plain(beam.dose_rate.value) + ", of which it is a part");
  }
  if (beam.relative_uncertainty == 0) {
    faults_.warning(at / "relative_uncertainty",
                    "got 0: no measurement is exact; the doses will seem "
                    "better known than they are");
  } else if (beam.relative_uncertainty > 0.5) {
    faults_.warning(at / "relative_uncertainty", "got " + plain(beam.relative_uncertainty) +
                                                     ", which is more than half of the dose rate");
  }
}

void SeriesCheck::check_doses() {
  for (std::size_t i = 0; i < series_.areas.size(); ++i) {
    const Area& area = series_.areas[i];
    const PlannedDose planned = planned_dose(series_, area);
    if (planned.total > series_.guards.dose) {
      faults_.warning(Pointer("/guards/dose_e_per_a2"),
                      "the series will hold before its end on area " + quote(area.name) + ": " +
                          where_reached(series_, planned, series_.guards.dose));
    }
    if (!planned.shares.empty() && series_.guards.dose > area.dose_limit) {
      faults_.warning(Pointer("/guards/dose_e_per_a2"),
                      "got " + plain(series_.guards.dose.value) + ", above the " +
                          plain(area.dose_limit.value) + " e/A^2 that area " + quote(area.name) +
                          " may ever get: that limit acts first");
    }
  }
}

void SeriesCheck::check_unused_areas() {
  std::set<std::string> used;
  for (const Block& block : series_.blocks) used.insert(block.area);
  for (std::size_t i = 0; i < series_.areas.size(); ++i) {
    if (used.count(series_.areas[i].name) == 0) {
      faults_.warning(Pointer() / "areas" / i,
                      "no block uses the area " + quote(series_.areas[i].name));
    }
  }
}

void SeriesCheck::warn_outside(const char* field, double low, double high,
                               const std::string& usual) {
  const Pointer at(field);
  if (!document_.contains(at) || !document_.at(at).is_number()) return;
  const auto value = document_.at(at).get<double>();
  if (value < low || value > high) {
    faults_.warning(at, "got " + plain(value) + "; " + usual + " is usual: is the unit right?");
  }
}

/// Ranges that most work falls into (common practice): outside them a slip of the unit is likely.
void SeriesCheck::check_plausibility() {
  warn_outside("/microscope/high_tension_kv", 20, 400, "20 to 400 kV");
  warn_outside("/microscope/collection_semi_angle_mrad", 0.1, 200, "0.1 to 200 mrad");
  warn_outside("/microscope/convergence_semi_angle_mrad", 0, 100, "at most 100 mrad");
  warn_outside("/microscope/dispersion_ev_per_channel", 0.001, 5, "0.001 to 5 eV per channel");
  warn_outside("/microscope/energy_offset_ev", -500, 5000, "-500 to 5000 eV");
  warn_outside("/specimen/thickness_nm", 1, 1000, "1 to 1000 nm");
  warn_outside("/laser/wavelength_nm", 190, 1600, "190 to 1600 nm");
  warn_outside("/laser/pulse_width_fs", 5, 1e7, "5 fs to 10 ns");
  warn_outside("/laser/repetition_rate_khz", 0.001, 1e5, "0.001 to 100000 kHz");
}

void SeriesCheck::warn_of_damage() {
  const Guards& guards = series_.guards;
  const bool exposes =
      std::any_of(series_.blocks.begin(), series_.blocks.end(),
                  [](const Block& block) { return block.kind == ExposureKind::specimen; });
  if (series_.beam_sensitive && exposes && !guards.damage && !guards.critical_dose) {
    faults_.warning(Pointer("/guards"),
                    "the specimen is beam-sensitive, and nothing watches for damage: critical_dose "
                    "ends the series before it, damage rings after it; only the dose limit acts");
  }
}

void SeriesCheck::collect_unknowns(const json& value, const std::string& place,
                                   std::vector<std::string>& found) const {
  if (value.is_object()) {
    for (const auto& [name, inside] : value.items()) {
      std::string inner = place;
      collect_unknowns(inside, inner.append(".").append(name), found);
    }
  } else if (value.is_array()) {
    for (std::size_t i = 0; i < value.size(); ++i) {
      collect_unknowns(value[i], place + "[" + std::to_string(i) + "]", found);
    }
  } else if (value == "unknown") {
    found.push_back(place);
  }
}

/// What a later reader will miss: said once, in one sentence.
void SeriesCheck::list_unknowns() {
  std::vector<std::string> found;
  for (const char* part : {"specimen", "microscope", "laser", "beam"}) {
    collect_unknowns(document_.at(part), part, found);
  }
  if (!found.empty()) {
    constexpr std::size_t kMost = 12;
    std::string list;
    for (std::size_t i = 0; i < std::min(kMost, found.size()); ++i)
      list += (i == 0 ? "" : ", ") + found[i];
    if (found.size() > kMost) list += " and " + std::to_string(found.size() - kMost) + " more";
    faults_.warning(Pointer(), "the session will say \"unknown\" for " + list);
  }
  const Pointer date("/specimen/preparation/date");
  if (document_.at(date).get_ref<const std::string&>().size() == 10) {
    faults_.warning(date,
                    "a date without a time of day; the session can conform to NXem only with both");
  }
}

DoseRate rate_of(const Series& series, ExposureKind kind) {
  if (kind == ExposureKind::background) return series.beam.residual.value_or(series.beam.dose_rate);
  return series.beam.dose_rate;
}

}  // namespace

PlannedDose planned_dose(const Series& series, const Area& area) {
  PlannedDose planned;
  for (std::size_t i = 0; i < series.blocks.size(); ++i) {
    const Block& block = series.blocks[i];
    if (block.area != area.name || block.where != Where::specimen) continue;
    const std::uint64_t values = block.vary ? block.vary->values.size() : 1;
    PlannedDose::Share share{i, 0, Dose{}};
    const auto add = [&](ExposureKind kind, std::uint64_t exposures, std::uint32_t frames,
                         Duration each) {
      if (kind == ExposureKind::dark) return;
      share.exposures += exposures;
      share.dose += Dose{(rate_of(series, kind) * each).value * static_cast<double>(exposures) *
                         static_cast<double>(frames)};
    };
    add(block.kind, block.count * values, block.frames, block.exposure);
    for (const Interleave& one : block.interleave) {
      add(one.kind, values * times_taken(one, block.count) * one.count, one.frames, one.exposure);
    }
    planned.total += share.dose;
    if (share.exposures > 0) planned.shares.push_back(share);
  }
  return planned;
}

std::string where_reached(const Series& series, const PlannedDose& planned, Dose limit) {
  std::string text = "the plan gives it " + plain(planned.total.value) + " e/A^2; " +
                     plain(limit.value) + " are reached";
  Dose before;
  for (const PlannedDose::Share& share : planned.shares) {
    if (before + share.dose > limit) {
      const double each = share.dose.value / static_cast<double>(share.exposures);
      const auto fit = static_cast<std::uint64_t>((limit - before).value / each * (1 + 1e-12));
      return text + " in block " + quote(series.blocks[share.block].name) + ", where about " +
             std::to_string(fit) + " of " + std::to_string(share.exposures) +
             " exposures that give dose fit";
    }
    before += share.dose;
  }
  return text + " at its end";
}

void check_series(const Series& series, Faults& faults) {
  SeriesCheck(series, faults).run();
}

}  // namespace creel::documents
