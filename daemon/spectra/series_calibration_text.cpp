// What series, rig, devices and events say of the instrument; and its calibration as JSON and as
// lines for a person.

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <limits>

#include "daemon/spectra/series_calibration.h"
#include "protocol/base/text.h"

namespace creel::analysis {

namespace {

using nlohmann::json;

/// object[key], or null where there is none: documents may come from anywhere.
json at(const json& object, const std::string& key) {
  return object.is_object() && object.contains(key) ? object.at(key) : json(nullptr);
}

std::optional<double> positive(const json& value) {
  if (!value.is_number()) {
    return std::nullopt;
  }
  const auto number = value.get<double>();
  return std::isfinite(number) && number > 0 ? std::optional(number) : std::nullopt;
}

std::string text_of(const json& value) {
  return value.is_string() ? value.get<std::string>() : std::string();
}

/// Milliwatts of one unit; 0 = it is none of power.
double milliwatts(const std::string& unit) {
  return unit == "mW" ? 1.0 : unit == "W" ? 1e3 : unit == "uW" ? 1e-3 : 0.0;
}

struct PowerChannel {
  std::string device, channel;
  std::size_t index = 0;
  double in_mw = 1;
};

std::optional<PowerChannel> power_channel(const Series& series, const json& devices) {
  for (const std::string& gauge : series.gauges) {
    const json channels = at(at(at(devices, gauge), "describe"), "channels");
    for (std::size_t i = 0; channels.is_array() && i < channels.size(); ++i) {
      const double in_mw = milliwatts(text_of(at(channels[i], "unit")));
      if (in_mw > 0) {
        return PowerChannel{gauge, text_of(at(channels[i], "name")), i, in_mw};
      }
    }
  }
  return std::nullopt;
}

void add_spread(const json& one, Spread& into) {
  const auto count = positive(at(one, "count"));
  const json sum = at(one, "sum_s");
  const json squares = at(one, "squares_s2");
  const json least = at(one, "least_s");
  const json most = at(one, "most_s");
  if (!count || !sum.is_number() || !squares.is_number() || !least.is_number() ||
      !most.is_number()) {
    return;
  }
  into.least = into.count == 0 ? least.get<double>() : std::min(into.least, least.get<double>());
  into.most = into.count == 0 ? most.get<double>() : std::max(into.most, most.get<double>());
  into.count += static_cast<std::uint64_t>(*count);
  into.sum += sum.get<double>();
  into.squares += squares.get<double>();
}

json number_or_null(double value) {
  return std::isfinite(value) ? json(value) : json(nullptr);
}

json text_or_null(const std::string& text) {
  return text.empty() ? json(nullptr) : json(text);
}

json measured_json(const Measured& one) {
  return {{"value", number_or_null(one.value)},
          {"sigma", number_or_null(one.sigma)},
          {"rests_on", one.rests_on},
          {"sentence", text_or_null(one.sentence)}};
}

const char* where_name(Where where) {
  return where == Where::vacuum ? "vacuum" : "specimen";
}

json per_pulse_json(const ElectronsPerPulse& one) {
  return {{"where", where_name(one.where)},
          {"lower_bound", one.where != Where::vacuum},
          {"mean", measured_json(one.mean)},
          {"sigma_without_gain", number_or_null(one.sigma_counting)},
          {"first", measured_json(one.first)},
          {"last", measured_json(one.last)},
          {"relative_change", measured_json(one.change)}};
}

json dose_rates_json(const SeriesCalibration& made) {
  json list = json::array();
  for (const AreaDoseRate& one : made.dose_rates) {
    list.push_back(
        {{"area", one.area},
         {"lit_diameter_nm", one.lit_diameter_nm},
         {"rate_e_per_a2_s", measured_json(one.rate)},
         {"stated_e_per_a2_s", made.stated.dose_rate},
         {"stated_sigma_e_per_a2_s", made.stated.dose_rate * made.stated.dose_rate_relative},
         {"off_by_sigma", number_or_null(one.against_stated)}});
  }
  return list;
}

/// Value and error with as many decimals as two digits of the error need.
std::string with_error(double value, double sigma) {
  if (!std::isfinite(sigma) || sigma <= 0) {
    return number(value) + (std::isfinite(sigma) ? "" : " (error not known)");
  }
  const int decimals = std::clamp(1 - static_cast<int>(std::floor(std::log10(sigma))), 0, 12);
  char text[400];
  std::snprintf(text, sizeof text, "%.*f +- %.*f", decimals, value, decimals, sigma);
  return text;
}

CalibrationLine line(std::string what, const Measured& one, const std::string& unit,
                     const std::string& things, const std::string& note = "", double scale = 1) {
  if (!one.given()) {
    return {std::move(what), "not given", one.sentence};
  }
  const std::string rests = std::to_string(one.rests_on) + " " + things;
  std::string said = one.sentence.empty() ? rests : rests + "; " + one.sentence;
  said += note.empty() ? "" : "; " + note;
  return {std::move(what), with_error(one.value * scale, one.sigma * scale) + unit,
          std::move(said)};
}

/// "agrees with the stated 0.02 +- 0.0016": what is within two standard deviations agrees.
std::string against(double sigmas, const std::string& stated) {
  if (!std::isfinite(sigmas)) {
    return "its error is not known, so it cannot be compared with the stated " + stated;
  }
  return std::fabs(sigmas) <= 2 ? "agrees with the stated " + stated
                                : "differs from the stated " + stated + " by " +
                                      number(std::fabs(sigmas), 2) + " sigma";
}

void add_electrons(const SeriesCalibration& made, std::vector<CalibrationLine>& lines) {
  if (!made.per_pulse_withheld.empty()) {
    lines.push_back({"electrons per pulse", "not given", made.per_pulse_withheld});
  }
  for (const ElectronsPerPulse& one : made.per_pulse) {
    const std::string where = one.where == Where::vacuum ? " in vacuum" : " through the specimen";
    lines.push_back(line("electrons per pulse" + where, one.mean, "", "frames",
                         "counting alone +- " + number(one.sigma_counting, 2)));
    CalibrationLine change =
        line("change over the session" + where, one.change, " %", "frames", "", 100);
    if (one.change.given()) {
      change.note += "; from " + with_error(one.first.value, one.first.sigma) + " to " +
                     with_error(one.last.value, one.last.sigma) + " per pulse";
    }
    lines.push_back(std::move(change));
  }
  if (!made.dose_rate_withheld.empty()) {
    lines.push_back({"dose rate", "not given", made.dose_rate_withheld});
  }
  for (const AreaDoseRate& one : made.dose_rates) {
    const double sigma = made.stated.dose_rate * made.stated.dose_rate_relative;
    lines.push_back(line("dose rate on " + one.area, one.rate, " e/A^2/s", "frames",
                         against(one.against_stated, with_error(made.stated.dose_rate, sigma))));
  }
  CalibrationLine power =
      line("counts per s and mW", made.counts_per_mw, "", "references with a reading");
  if (made.counts_per_mw.given()) {
    power.note += "; gauge " + made.stated.power_gauge + ", scatter of one " +
                  number(100 * made.counts_per_mw_scatter, 2) + " %";
  }
  lines.push_back(std::move(power));
}

void add_energy(const SeriesCalibration& made, std::vector<CalibrationLine>& lines) {
  lines.push_back(line("zero loss at", made.zero_loss_ev, " eV", "frames"));
  std::string stated;
  if (made.first_channel_ev.given()) {
    stated = against(
        (made.first_channel_ev.value - *made.stated.energy_offset_ev) / made.first_channel_ev.sigma,
        number(*made.stated.energy_offset_ev) + " eV");
  }
  lines.push_back(line("first channel at", made.first_channel_ev, " eV", "frames", stated));
  std::string edge;
  if (made.dispersion_ev.given()) {
    edge = against(made.dispersion_against_stated, number(made.stated.dispersion_ev) + " eV") +
           "; edge seen at " + number(made.edge_seen_ev, 5) + " eV";
  }
  lines.push_back(line("dispersion", made.dispersion_ev, " eV/channel", "frames", edge));
}

void add_shutter(const SeriesCalibration& made, std::vector<CalibrationLine>& lines) {
  const auto in_ms = [&](const char* what, const Measured& one, double scatter) {
    lines.push_back(line(what, one, " ms", "movements",
                         one.given() && std::isfinite(scatter)
                             ? "scatter of one " + number(1e3 * scatter, 2) + " ms"
                             : "",
                         1e3));
  };
  in_ms("shutter, order to open", made.opening_s, made.opening_scatter_s);
  in_ms("shutter, order to closed", made.closing_s, made.closing_scatter_s);
  if (made.stated.gating == Gating::detector) {
    in_ms("shutter open before exposure", made.opened_before_s, std::nan(""));
    in_ms("shutter open after exposure", made.closed_after_s, std::nan(""));
  }
  if (!made.opening_travel_s.given() && !made.closing_travel_s.given()) {
    in_ms("shutter travel", made.opening_travel_s, std::nan(""));
    return;
  }
  in_ms("shutter, delay of opening", made.opening_delay_s, std::nan(""));
  in_ms("shutter, travel of opening", made.opening_travel_s, std::nan(""));
  in_ms("shutter, delay of closing", made.closing_delay_s, std::nan(""));
  in_ms("shutter, travel of closing", made.closing_travel_s, std::nan(""));
}

}  // namespace

StatedInstrument stated_instrument(const Series& series, const json& devices) {
  StatedInstrument stated;
  if (const auto khz = positive(at(at(series.document, "laser"), "repetition_rate_khz"))) {
    stated.repetition_rate_hz = 1e3 * *khz;
  }
  const json detector = at(at(devices, series.detector), "describe");
  stated.counts_per_electron = positive(at(at(detector, "gain"), "counts_per_electron"));
  stated.dose_rate = series.beam.dose_rate.value;
  stated.dose_rate_relative = series.beam.relative_uncertainty;
  for (const Area& area : series.areas) {
    if (area.lit_diameter_nm) {
      stated.lit_diameters_nm.emplace_back(area.name, *area.lit_diameter_nm);
    }
  }
  stated.elements = series.elements;
  stated.energy_offset_ev = series.energy_offset_ev;
  stated.dispersion_ev = series.dispersion_ev.value_or(0);
  stated.gating = series.gating;
  stated.shutter = series.shutter;
  const json travel = at(at(at(devices, series.shutter), "describe"), "travel_ns");
  if (travel.is_number()) {
    stated.travel_s = 1e-9 * travel.get<double>();
  }
  if (const auto channel = power_channel(series, devices)) {
    stated.power_gauge = channel->device + " " + channel->channel;
  }
  return stated;
}

std::vector<PowerReading> power_readings(const Series& series, const json& devices,
                                         const std::vector<json>& events) {
  std::vector<PowerReading> found;
  const auto channel = power_channel(series, devices);
  if (!channel) {
    return found;
  }
  for (const json& event : events) {
    if (text_of(at(event, "event")) != "gauges") {
      continue;
    }
    const json list = at(at(event, "readings"), channel->device);
    if (!list.is_array() || channel->index >= list.size()) {
      continue;
    }
    const json& reading = list[channel->index];
    const auto value = positive(at(reading, "value"));
    const auto taken = positive(at(reading, "taken_ns"));
    if (value && taken && at(reading, "valid") == json(true)) {
      found.push_back({1e-9 * *taken, *value * channel->in_mw});
    }
  }
  return found;
}

ShutterDelays shutter_delays(const std::vector<json>& events) {
  ShutterDelays delays;
  for (const json& event : events) {
    if (text_of(at(event, "event")) == "shutter_times") {
      add_spread(at(event, "opening"), delays.opening);
      add_spread(at(event, "closing"), delays.closing);
      add_spread(at(event, "opening_delay"), delays.opening_delay);
      add_spread(at(event, "opening_travel"), delays.opening_travel);
      add_spread(at(event, "closing_delay"), delays.closing_delay);
      add_spread(at(event, "closing_travel"), delays.closing_travel);
    }
  }
  return delays;
}

json to_json(const SeriesCalibration& made) {
  json per_pulse = json::array();
  for (const ElectronsPerPulse& one : made.per_pulse) {
    per_pulse.push_back(per_pulse_json(one));
  }
  const auto stated = [](const std::optional<double>& value) {
    return value ? number_or_null(*value) : json(nullptr);
  };
  return {{"electrons_per_pulse", per_pulse},
          {"electrons_per_pulse_withheld", text_or_null(made.per_pulse_withheld)},
          {"dose_rates", dose_rates_json(made)},
          {"dose_rate_withheld", text_or_null(made.dose_rate_withheld)},
          {"laser_power",
           {{"gauge", text_or_null(made.stated.power_gauge)},
            {"counts_per_s_mw", measured_json(made.counts_per_mw)},
            {"relative_scatter_of_one", number_or_null(made.counts_per_mw_scatter)}}},
          {"energy_scale",
           {{"zero_loss_ev", measured_json(made.zero_loss_ev)},
            {"first_channel_ev", measured_json(made.first_channel_ev)},
            {"first_channel_stated_ev", stated(made.stated.energy_offset_ev)},
            {"dispersion_ev_per_channel", measured_json(made.dispersion_ev)},
            {"dispersion_sigma_without_edge_ev_per_channel",
             number_or_null(made.dispersion_sigma_counting)},
            {"dispersion_stated_ev_per_channel", number_or_null(made.stated.dispersion_ev)},
            {"dispersion_off_by_sigma", number_or_null(made.dispersion_against_stated)},
            {"edge", text_or_null(made.edge)},
            {"edge_table_ev", number_or_null(made.edge_table_ev)},
            {"edge_seen_ev", number_or_null(made.edge_seen_ev)}}},
          {"gain",
           {{"photon_transfer_counts_per_electron", measured_json(made.gain)},
            {"stated_counts_per_electron", stated(made.stated.counts_per_electron)},
            {"used_counts_per_electron", measured_json(made.gain_used)}}},
          {"shutter",
           {{"name", text_or_null(made.stated.shutter)},
            {"order_to_open_s", measured_json(made.opening_s)},
            {"order_to_open_scatter_s", number_or_null(made.opening_scatter_s)},
            {"order_to_closed_s", measured_json(made.closing_s)},
            {"order_to_closed_scatter_s", number_or_null(made.closing_scatter_s)},
            {"open_before_exposure_s", measured_json(made.opened_before_s)},
            {"open_after_exposure_s", measured_json(made.closed_after_s)},
            {"open_for_s", measured_json(made.open_for_s)},
            {"opening_delay_s", measured_json(made.opening_delay_s)},
            {"opening_travel_s", measured_json(made.opening_travel_s)},
            {"closing_delay_s", measured_json(made.closing_delay_s)},
            {"closing_travel_s", measured_json(made.closing_travel_s)},
            {"travel_stated_s", stated(made.stated.travel_s)}}}};
}

std::vector<CalibrationLine> calibration_lines(const SeriesCalibration& made) {
  std::vector<CalibrationLine> lines;
  add_electrons(made, lines);
  add_energy(made, lines);
  lines.push_back(line("gain by photon transfer", made.gain, " counts/electron", "frames",
                       made.stated.counts_per_electron
                           ? "the detector states " + number(*made.stated.counts_per_electron)
                           : "the detector states none"));
  add_shutter(made, lines);
  return lines;
}

}  // namespace creel::analysis
