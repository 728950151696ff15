#include "client/calibrate/series_for.h"

#include <algorithm>
#include <cmath>
#include <set>
#include <tuple>

#include "protocol/base/text.h"
#include "protocol/series/calibration.h"

namespace creel::calibrate {

using nlohmann::json;

namespace {

constexpr double kShortest_s = 1e-4;
constexpr double kLate_s = 10;  // of beam that a late closing may cost: guards allow for it

/// "left SEPARATOR right"; nothing when there is no separator or an empty side.
std::optional<std::pair<std::string, std::string>> halves(const std::string& text, char separator) {
  const std::size_t at = text.find(separator);
  if (at == std::string::npos || at == 0 || at + 1 == text.size()) return std::nullopt;
  return std::pair{text.substr(0, at), text.substr(at + 1)};
}

Error wrong(const char* option, const std::string& given, const char* form) {
  return {ErrorCode::invalid_request,
          std::string(option) + ": given \"" + given + "\"; must be " + form};
}

/// A value of a setting as a person types it: a number, true, false, or a text.
json typed(const std::string& text) {
  const json parsed = json::parse(text, nullptr, false);
  return parsed.is_number() || parsed.is_boolean() ? parsed : json(text);
}

json setting(const std::string& device, const std::string& name, const json& value) {
  return {{"device", device}, {"name", name}, {"value", value}};
}

json as_json(const std::vector<Setting>& settings) {
  json made = json::array();
  for (const Setting& one : settings) made.push_back(setting(one.device, one.name, one.value));
  return made;
}

/// Puts `one` in the place of the same setting in `list`, or at its end.
void put(json& list, const json& one) {
  for (json& there : list) {
    if (there["device"] == one["device"] && there["name"] == one["name"]) {
      there = one;
      return;
    }
  }
  list.push_back(one);
}

class Maker {
 public:
  Maker(std::string_view kind, const Series& base, const SeriesOptions& options)
      : kind_(kind), base_(base), options_(options) {}

  Result<json> make() {
    const json& from = base_.document;
    document_ = from;
    document_["name"] = "calibrate-" + std::string(kind_);
    document_["title"] = "Calibration: " + std::string(find_calibration_kind(kind_)->what);
    document_["areas"] = json::array();
    document_["blocks"] = json::array();
    document_["after_restart"] = "hold";
    document_["notes"] =
        "Made by creel calibrate " + std::string(kind_) + " for the series " + base_.name + ".";
    document_["guards"] = {{"dose_e_per_a2", 1e-3}};
    if (from.contains("guards") && from["guards"].contains("gauges")) {
      document_["guards"]["gauges"] = from["guards"]["gauges"];
    }
    find_settings();
    CREEL_TRY(fill());
    return document_;
  }

 private:
  Result<void> fill() {
    if (kind_ == "dark") return darks_of_all();
    if (kind_ == "gain" && options_.dithered) return dithered();
    if (kind_ == "gain" || kind_ == "photon-transfer" || kind_ == "point-spread") {
      return even_light();
    }
    if (!zero_loss_s_) {
      return Error{ErrorCode::refused,
                   "series " + base_.name +
                       " has no zero-loss exposures, which tell how long one may be without "
                       "saturating the detector; give one that has"};
    }
    if (kind_ == "energy") return energy();
    if (kind_ == "energy-offset") return offset_supply();
    if (kind_ == "shutter") return shutter();
    if (kind_ == "dose-rate") return dose_rate();
    if (kind_ == "beam-profile") return profile();
    return kind_ == "residual" ? residual() : emission();
  }

  /// Settings for the low loss and how long its exposures are, from the first zero-loss exposures;
  /// how the beam is spread evenly, from the first gain block.
  void find_settings() {
    for (const Block& block : base_.blocks) {
      if (block.kind == ExposureKind::gain && !even_) {
        even_ = as_json(block.settings);
        even_s_ = in_seconds(block.exposure);
      }
      if (block.kind == ExposureKind::zero_loss && !zero_loss_s_) {
        take_low(block.settings, block.energy_offset_ev, block.exposure);
      }
      for (const Interleave& between : block.interleave) {
        if (between.kind != ExposureKind::zero_loss || zero_loss_s_) continue;
        std::vector<Setting> settings = block.settings;
        for (const Setting& one : between.settings) {
          const auto same = std::find_if(settings.begin(), settings.end(),
                                         [&](const Setting& s) { return s.is_same(one); });
          if (same != settings.end()) *same = one;
        }
        take_low(settings,
                 between.energy_offset_ev ? between.energy_offset_ev : block.energy_offset_ev,
                 between.exposure);
      }
      if (block.kind == ExposureKind::specimen && !core_s_) {
        core_s_ = in_seconds(block.exposure);
        core_ = as_json(block.settings);
        core_offset_ev_ = block.energy_offset_ev ? block.energy_offset_ev : base_.energy_offset_ev;
      }
    }
  }
  void take_low(const std::vector<Setting>& settings, std::optional<double> offset_ev,
                Duration exposure) {
    low_ = as_json(settings);
    low_offset_ev_ = offset_ev ? offset_ev : base_.energy_offset_ev;
    zero_loss_s_ = in_seconds(exposure);
  }

  [[nodiscard]] std::uint32_t frames(std::uint32_t usual) const {
    return options_.frames > 0 ? options_.frames : usual;
  }
  json& add(const std::string& name, const char* kind, double exposure_s, std::uint32_t count) {
    document_["blocks"].push_back(
        {{"name", name}, {"kind", kind}, {"exposure_s", exposure_s}, {"count", count}});
    return document_["blocks"].back();
  }
  /// A block of beam at the low loss, in vacuum.
  json& add_low(const std::string& name, const char* kind, double exposure_s, std::uint32_t count) {
    json& block = add(name, kind, exposure_s, count);
    block["where"] = "vacuum";
    if (!low_.empty()) block["settings"] = low_;
    if (low_offset_ev_) block["energy_offset_ev"] = *low_offset_ev_;
    return block;
  }
  Result<std::string> use_area(double dose_s) {
    for (const json& area : base_.document["areas"]) {
      if (!options_.area.empty() && area["name"] != options_.area) continue;
      document_["areas"].push_back(area);
      document_["guards"]["dose_e_per_a2"] = base_.beam.dose_rate.value * (1.5 * dose_s + kLate_s);
      return area["name"].get<std::string>();
    }
    return Error{ErrorCode::refused,
                 options_.area.empty()
                     ? "series " + base_.name + " has no area for the beam to fall on"
                     : "series " + base_.name + " has no area \"" + options_.area + "\""};
  }

  Result<void> darks_of_all() {
    std::set<double> times;
    for (const Block& block : base_.blocks) {
      times.insert(in_seconds(block.exposure));
      for (const Interleave& between : block.interleave) {
        times.insert(in_seconds(between.exposure));
      }
    }
    // Offset and rate need two times that differ by much.
    if (*times.begin() > 0.2 * *times.rbegin()) times.insert(0.1 * *times.begin());
    int number = 0;
    for (const double time : times) {
      add("darks-" + std::to_string(++number), "dark", time, frames(20));
    }
    return {};
  }

  Result<void> even_light() {
    json lit = even_.value_or(json::array());
    json after = json::array();
    if (!options_.even.empty()) {
      const auto sides = halves(options_.even, '=');
      const auto place = sides ? halves(sides->first, '.') : std::nullopt;
      const auto values = sides ? halves(sides->second, ',') : std::nullopt;
      if (!place || !values) {
        return wrong("--even", options_.even,
                     "DEVICE.SETTING=LIT,AFTER, such as camera.illumination=even,spectrum");
      }
      put(lit, setting(place->first, place->second, typed(values->first)));
      after.push_back(setting(place->first, place->second, typed(values->second)));
    } else {
      after = settings_after(lit);
    }
    const double exposure = options_.exposure_s > 0 ? options_.exposure_s : even_s_.value_or(1.0);
    const bool gain = kind_ == "gain";
    const std::vector<double> parts =
        kind_ == "photon-transfer" ? std::vector<double>{0.1, 0.3, 1.0} : std::vector<double>{1.0};
    int number = 0;
    for (const double part : parts) {
      const std::string name = std::to_string(++number);
      add("darks-" + name, "dark", part * exposure, frames(gain ? 20 : 10));
      json& block = add("even-" + name, "gain", part * exposure, frames(gain ? 60 : 10));
      block["where"] = "vacuum";
      if (!lit.empty()) block["settings"] = lit;
      if (gain) block["interleave"] = {{{"kind", "dark"}, {"every", 10}}};
    }
    if (!after.empty()) {
      add("back", "dark", parts.front() * exposure, 1)["settings"] = after;
    }
    return {};
  }
  /// What the settings of the gain block are elsewhere in the series.
  json settings_after(const json& lit) const {
    json after = json::array();
    for (const json& one : lit) {
      for (const Block& block : base_.blocks) {
        for (const Setting& other : block.settings) {
          if (block.kind != ExposureKind::gain && other.device == one["device"] &&
              other.name == one["name"]) {
            put(after, setting(other.device, other.name, other.value));
          }
        }
      }
    }
    return after;
  }

  Result<void> energy() {
    const double core = core_s_.value_or(100 * *zero_loss_s_);
    const std::uint32_t count = frames(20);
    auto area = use_area(core * count + *zero_loss_s_ * 10);
    if (!area) return area.error();
    add("short-darks", "dark", *zero_loss_s_, 10);
    add("darks", "dark", core, count);
    for (const char* kind : {"zero_loss", "specimen"}) {
      const bool peak = std::string_view(kind) == "zero_loss";
      json& block =
          add(peak ? "zero-loss" : "edges", kind, peak ? *zero_loss_s_ : core, peak ? 10 : count);
      if (peak) block["where"] = "specimen";
      block["area"] = *area;
      if (!low_.empty()) block["settings"] = low_;
      if (low_offset_ev_) block["energy_offset_ev"] = *low_offset_ev_;
    }
    return {};
  }

  /// The setting that moves the energy axis, and what it is in a block with these settings.
  struct Supply {
    std::string device, name;
    double at_rest = 0;
    [[nodiscard]] json moved_by(double ev) const { return setting(device, name, at_rest + ev); }
  };
  Result<Supply> supply(const json& settings) const {
    Supply found;
    if (!options_.supply.empty()) {
      const auto place = halves(options_.supply, '.');
      if (!place) return wrong("--supply", options_.supply, "DEVICE.SETTING");
      std::tie(found.device, found.name) = *place;
    }
    for (const json& one : settings) {
      const bool named = found.name.empty() &&
                         one["name"].get<std::string>().find("energy_offset") != std::string::npos;
      if (named || (one["device"] == found.device && one["name"] == found.name)) {
        found = {one["device"], one["name"],
                 one["value"].is_number() ? one["value"].get<double>() : 0};
        break;
      }
    }
    if (!found.name.empty()) return found;
    return Error{ErrorCode::refused,
                 "series " + base_.name +
                     " sets no energy offset before its exposures: say which setting moves the "
                     "axis, --supply DEVICE.SETTING"};
  }
  Error axis_not_stated() const {
    return {ErrorCode::refused, "series " + base_.name +
                                    " does not state the energy of the first channel and the "
                                    "dispersion (microscope.energy_offset_ev, "
                                    "microscope.dispersion_ev_per_channel)"};
  }

  Result<void> offset_supply() {
    const auto place = supply(low_);
    if (!place) return place.error();
    if (!low_offset_ev_) return axis_not_stated();
    const std::uint32_t count = frames(2);
    add("darks", "dark", *zero_loss_s_, 20);
    const auto visit = [&](const std::string& name, double moved_ev) {
      // Downwards: the zero loss then moves into the axis, not off it.
      json& block = add_low(name, "zero_loss", *zero_loss_s_, count);
      if (!block.contains("settings")) block["settings"] = json::array();
      put(block["settings"], place->moved_by(-moved_ev));
      block["energy_offset_ev"] = *low_offset_ev_ - moved_ev;
    };
    int number = 0;
    for (const double part : {0.25, 0.75, 1.0, 0.5, 1.0, 0.5, 0.25, 0.75}) {
      const std::string name = std::to_string(++number);
      visit("rest-" + name, 0);
      visit("moved-" + name, part * options_.range_ev);
    }
    visit("rest-last", 0);
    return {};
  }

  /// The core loss moved by whole channels, there and back, so that places and times do not go
  /// together. Differences of many sizes: near ones tell neighbours apart, far ones what is broad.
  Result<void> dithered() {
    if (!core_s_) {
      return Error{ErrorCode::refused, "series " + base_.name +
                                           " has no specimen exposures, whose spectrum could be "
                                           "moved across the detector; give one that has"};
    }
    const auto place = supply(core_);
    if (!place) return place.error();
    if (!core_offset_ev_ || !base_.dispersion_ev) return axis_not_stated();
    constexpr int kPlaces[] = {0,   9,  -14, 30, -41, 58, 5,   -27, 20,
                               -60, 44, -7,  64, -33, 15, -52, 0};
    const double exposure = options_.exposure_s > 0 ? options_.exposure_s : *core_s_;
    const std::uint32_t count = std::max(2U, frames(4));  // one alone shows no noise
    const auto area = use_area(exposure * count * static_cast<double>(std::size(kPlaces)));
    if (!area) return area.error();
    add("darks", "dark", exposure, 20);
    int number = 0;
    for (const int moved : kPlaces) {
      const double ev = moved * *base_.dispersion_ev;
      json& block = add("moved-" + std::to_string(++number), "gain", exposure, count);
      block["where"] = "specimen";
      block["area"] = *area;
      block["settings"] = core_;
      put(block["settings"], place->moved_by(ev));
      block["energy_offset_ev"] = *core_offset_ev_ + ev;
    }
    return {};
  }

  Result<void> shutter() {
    document_["gating"] = {{"by", "shutter"}, {"margin_ms", 1e3 * in_seconds(base_.gating_margin)}};
    const std::vector<double> parts = {0.125, 1.0, 0.25, 0.75, 0.5};
    const auto time = [&](double part) { return std::max(kShortest_s, part * *zero_loss_s_); };
    for (const double part : parts) {
      add("darks-" + number(8 * part), "dark", time(part), 20);
    }
    for (int round = 1; round <= 3; ++round) {
      for (const double part : parts) {
        add_low("open-" + number(8 * part) + "-" + std::to_string(round), "zero_loss", time(part),
                frames(3));
      }
    }
    return {};
  }

  Result<void> dose_rate() {
    document_["areas"] = base_.document["areas"];  // they say how large the beam is
    add("darks", "dark", *zero_loss_s_, frames(40));
    add_low("vacuum", "zero_loss", *zero_loss_s_, frames(40));
    return {};
  }

  Result<void> profile() {
    const auto place = halves(options_.edge, '=');
    const json at = place ? typed(place->second) : json();
    if (!place || !at.is_number()) {
      return wrong("--edge", options_.edge,
                   "AXIS=POSITION of a straight edge of the specimen, such as x=500");
    }
    if (base_.stage.empty()) {
      return Error{ErrorCode::refused, "series " + base_.name +
                                           " names no stage that could move an edge through the "
                                           "beam (devices.stage)"};
    }
    double reach = options_.reach_um;
    for (const Area& area : base_.areas) {
      if (reach <= 0 && area.lit_diameter_nm) reach = 1.5e-3 * *area.lit_diameter_nm;
    }
    if (reach <= 0) {
      return Error{ErrorCode::refused,
                   "how far to scan is not known: no area states its lit_diameter_nm; say "
                   "--reach-um"};
    }
    constexpr int kSide = 20;
    auto area = use_area(*zero_loss_s_ * (2 * kSide + 1) * frames(1));
    if (!area) return area.error();
    json values = json::array();
    for (int i = -kSide; i <= kSide; ++i) {
      values.push_back(at.get<double>() + reach * i / kSide);
    }
    add("darks", "dark", *zero_loss_s_, 20);
    json& block = add_low("knife-edge", "zero_loss", *zero_loss_s_, frames(1));
    block["where"] = "specimen";
    block["area"] = *area;
    block["vary"] = {{"device", base_.stage}, {"axis", place->first}, {"values", values}};
    return {};
  }

  Result<void> needs_cathode_shutter() const {
    if (!base_.cathode_shutter.empty()) return {};
    return Error{ErrorCode::refused, "series " + base_.name +
                                         " names no shutter that blocks the laser to the cathode "
                                         "(devices.cathode_shutter)"};
  }

  Result<void> residual() {
    CREEL_TRY(needs_cathode_shutter());
    const double blocked = std::clamp(50 * *zero_loss_s_, 0.1, 2.0);
    add("darks-lit", "dark", *zero_loss_s_, 40);
    add("darks-blocked", "dark", blocked, frames(40));
    add_low("lit-before", "zero_loss", *zero_loss_s_, 20);
    add_low("blocked", "background", blocked, frames(40));
    return {};
  }

  Result<void> emission() {
    CREEL_TRY(needs_cathode_shutter());
    const auto place = halves(options_.attenuator, '.');
    if (!place) {
      return wrong("--attenuator", options_.attenuator,
                   "STAGE.AXIS of what attenuates the laser to the cathode, in per cent, such as "
                   "stage.attenuator");
    }
    // The attenuator goes down to half; a laser that drops out must still hold the series.
    constexpr double kLeastPart = 0.4;
    if (document_["guards"].contains("gauges")) {
      for (json& band : document_["guards"]["gauges"]) {
        if (band.contains("least") && band["least"].get<double>() > 0) {
          band["least"] = kLeastPart * band["least"].get<double>();
        }
      }
    }
    // A dark before each frame lets time pass: gauges are read anew before each frame.
    const json between = {{{"kind", "dark"}, {"every", 1}, {"exposure_s", 1.5}}};
    add("darks", "dark", *zero_loss_s_, 40);
    for (int round = 1; round <= 3; ++round) {
      json& block =
          add_low("power-" + std::to_string(round), "zero_loss", *zero_loss_s_, frames(1));
      block["vary"] = {
          {"device", place->first}, {"axis", place->second}, {"values", {100, 50, 80, 60, 90, 70}}};
      block["interleave"] = between;
    }
    const auto all = [&](json& block) {
      block["vary"] = {{"device", place->first}, {"axis", place->second}, {"values", {100}}};
    };
    add("darks-blocked", "dark", 10, 2);
    all(add_low("blocked", "background", 10, 12));
    json& settling = add_low("settling", "zero_loss", *zero_loss_s_, 120);
    all(settling);
    settling["interleave"] = between;
    return {};
  }

  std::string_view kind_;
  const Series& base_;
  const SeriesOptions& options_;
  json document_;
  json low_ = json::array(), core_ = json::array();
  std::optional<json> even_;
  std::optional<double> zero_loss_s_, core_s_, even_s_, low_offset_ev_, core_offset_ev_;
};

}  // namespace

Result<json> series_for(std::string_view kind, const Series& base, const SeriesOptions& options) {
  if (find_calibration_kind(kind) == nullptr) {
    std::string known;
    for (const CalibrationKind& one : kCalibrationKinds) {
      known += (known.empty() ? "" : ", ") + std::string(one.name);
    }
    return Error{ErrorCode::invalid_request,
                 "no calibration \"" + std::string(kind) + "\"; must be one of " + known};
  }
  return Maker(kind, base, options).make();
}

}  // namespace creel::calibrate
