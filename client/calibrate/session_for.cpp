#include "client/calibrate/session_for.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <set>

#include "daemon/calibration/emission.h"
#include "daemon/calibration/energy_axis.h"
#include "daemon/calibration/pixel_noise.h"
#include "daemon/calibration/profile.h"
#include "daemon/calibration/shutter.h"
#include "daemon/spectra/gain.h"
#include "daemon/spectra/series_calibration.h"
#include "protocol/base/text.h"

namespace creel::calibrate {

using analysis::Measured;
using calibration::CountsPerElectron;
using nlohmann::json;

namespace {

constexpr double kNearReading_s = 1.0;
constexpr double kNsPerHour = 3.6e12;
constexpr const char* kEmva = "EMVA Standard 1288, Release 4.0";

/// What one pass over a session leaves.
struct Pass {
  calibration::Frames frames;
  std::optional<calibration::NoiseCollector> noise;
  std::optional<analysis::GainReference> gain;
  std::vector<std::uint64_t> even, dark;  ///< sequence numbers
  std::uint64_t damaged = 0;
};

Result<Pass> read_frames(session::Reader& reader, const Series& series,
                         const report::Progress& progress) {
  const session::FrameShape& shape = reader.documents().shape;
  Pass pass;
  pass.noise.emplace(shape);
  pass.gain.emplace(shape, series.dispersion_ev.value_or(0));
  calibration::FrameCollector collector(shape, series.gating);
  auto damaged = report::each_frame(
      reader, progress,
      [&](const session::Record& record, std::span<const std::byte> frame) -> Result<void> {
        const analysis::FrameInfo info = analysis::frame_info(record);
        CREEL_TRY(collector.add(record, frame));
        CREEL_TRY(pass.noise->add(info, frame));
        if (info.kind == ExposureKind::gain) pass.even.push_back(record.sequence);
        if (info.kind == ExposureKind::dark) pass.dark.push_back(record.sequence);
        return pass.gain->add(info, frame);
      });
  if (!damaged.ok()) return damaged.error();
  pass.damaged = *damaged;
  pass.frames = collector.finish();
  return pass;
}

json described(const session::Documents& documents, const std::string& device) {
  const json& devices = documents.devices;
  return devices.is_object() && devices.contains(device)
             ? devices[device].value("describe", json::object())
             : json::object();
}

class Evaluation {
 public:
  Evaluation(std::string_view kind, session::Reader& reader, const Series& series, Pass pass,
             const Shelf& shelf, const EvaluationOptions& options)
      : kind_(kind),
        reader_(reader),
        series_(series),
        pass_(std::move(pass)),
        shelf_(shelf),
        options_(options) {}

  Result<Calibration> make(const std::string& rig, const std::string& program) {
    made_.kind = kind_;
    made_.rig = rig;
    made_.program = program;
    find_gain();
    describe();
    CREEL_TRY(fill());
    if (made_.values.empty()) {
      return Error{ErrorCode::refused, "nothing could be told from the session"};
    }
    if (pass_.damaged > 0) {
      remark(std::to_string(pass_.damaged) + " frames left out: damaged on disk");
    }
    return made_;
  }

 private:
  Result<void> fill() {
    if (kind_ == "dark") return dark();
    if (kind_ == "gain") return gain();
    if (kind_ == "photon-transfer") return photon_transfer();
    if (kind_ == "point-spread") return point_spread();
    if (kind_ == "energy") return energy();
    if (kind_ == "energy-offset") return energy_offset();
    if (kind_ == "shutter") return shutter();
    if (kind_ == "dose-rate") return dose_rate();
    if (kind_ == "beam-profile") return profile();
    return kind_ == "residual" ? residual() : emission();
  }

  void add(const std::string& name, const std::string& unit, const Measured& of) {
    if (!of.given()) {
      if (!of.sentence.empty()) remark(name + " is not given: " + of.sentence);
      return;
    }
    made_.values.push_back({name, unit, of.value, of.sigma, of.rests_on, of.sentence});
  }
  void remark(const std::string& sentence) { made_.remarks.push_back(sentence); }
  void method(std::string how, std::string source) {
    made_.method = std::move(how);
    made_.source = std::move(source);
  }
  void rests_on(std::vector<std::uint64_t> sequence) {
    sequence.insert(sequence.end(), pass_.dark.begin(), pass_.dark.end());
    std::sort(sequence.begin(), sequence.end());
    CalibrationSession& session = made_.sessions.emplace_back();
    session.name = reader_.documents().name;
    for (const std::uint64_t one : sequence) {
      if (!session.frames.empty() && one <= session.frames.back().second + 1) {
        session.frames.back().second = one;
      } else {
        session.frames.emplace_back(one, one);
      }
    }
  }

  /// The detector's own claim; better, what a typed current made of it; the noise by photon
  /// transfer.
  void find_gain() {
    const json describe = described(reader_.documents(), series_.detector);
    const json claim = describe.value("gain", json::object()).value("counts_per_electron", json());
    const Calibration* transfer = shelf_.newest("photon-transfer", made_.rig);
    const Calibration* rate = shelf_.newest("dose-rate", made_.rig);
    const CalibrationValue* seen =
        transfer == nullptr ? nullptr : transfer->find("counts_per_electron");
    const CalibrationValue* by_current =
        rate == nullptr ? nullptr : rate->find("counts_per_electron");
    if (seen != nullptr) gain_.noise = seen->value;
    if (by_current != nullptr && kind_ != "dose-rate") {
      gain_.value = by_current->value;
      gain_.sigma = by_current->sigma;
      gain_.known_from = "a typed current, " + rate->origin;
    } else if (claim.is_number() && claim.get<double>() > 0) {
      gain_.value = claim.get<double>();
      gain_.known_from = "the detector's own claim";
      gain_.sigma = seen == nullptr ? 0 : std::hypot(seen->sigma, seen->value - gain_.value);
      claimed_ = true;
    } else if (seen != nullptr) {
      gain_.value = seen->value;
      gain_.sigma = seen->sigma;
      gain_.known_from = "photon transfer, which excess noise makes too high";
    }
    if (!std::isfinite(gain_.noise)) {
      gain_.noise = std::isfinite(gain_.value) ? gain_.value : 1;
      noise_assumed_ = true;
    }
  }
  /// Of what rests on counting noise.
  void say_noise() {
    if (noise_assumed_) {
      remark(
          "there is no photon transfer of this rig: the noise of a count was taken to be that of a "
          "perfect detector, so errors are too small where it has excess noise");
    }
  }

  void describe() {
    const session::Documents& documents = reader_.documents();
    std::int64_t last = documents.start_utc_ns;
    std::set<double> exposures;
    for (const session::Record& record : reader_.records()) {
      last = std::max(last, record.utc_ns);
      exposures.insert(1e-9 * static_cast<double>(record.exposure_set_ns));
    }
    made_.taken_utc_ns = last;
    const CalibrationKind& of = *find_calibration_kind(kind_);
    made_.valid_until_utc_ns =
        last + static_cast<std::int64_t>(options_.valid_h.value_or(of.valid_h) * kNsPerHour);
    std::set<std::string> devices{series_.detector, series_.shutter};
    for (const std::string& device : devices) {
      made_.devices[device] = described(documents, device).value("identity", json::object());
    }
    const json microscope = series_.document.value("microscope", json::object());
    for (const std::string_view name : of.holds_for) {
      const std::string field(name);
      if (!field.empty() && microscope.contains(field)) made_.holds_for[field] = microscope[field];
    }
    for (const char* field : {"high_tension_kv", "camera_length_mm", "collection_semi_angle_mrad",
                              "dispersion_ev_per_channel", "energy_offset_ev", "spot_size"}) {
      if (microscope.contains(field)) made_.conditions[field] = microscope[field];
    }
    made_.conditions["exposure_s"] = std::vector<double>(exposures.begin(), exposures.end());
    add_readings();
  }

  /// Mean reading of each gauge channel over the session.
  void add_readings() {
    auto log = reader_.events();
    if (!log.ok()) return;
    events_ = std::move(log->events);
    std::map<std::string, std::pair<double, int>> sums;
    for (const json& event : events_) {
      const json readings = event.value("readings", json::object());
      if (event.value("event", "") != "gauges" || !readings.is_object()) continue;
      for (const auto& [gauge, list] : readings.items()) {
        const json channels =
            described(reader_.documents(), gauge).value("channels", json::array());
        for (std::size_t i = 0; list.is_array() && i < std::min(list.size(), channels.size());
             ++i) {
          if (!list[i].value("value", json()).is_number()) continue;
          const std::string name =
              gauge + " " + channels[i].value("name", "") + " " + channels[i].value("unit", "");
          auto& [sum, count] = sums[name];
          sum += list[i]["value"].get<double>();
          ++count;
        }
      }
    }
    for (const auto& [name, sum] : sums) made_.conditions[name] = sum.first / sum.second;
  }

  Result<void> dark() {
    auto library = calibration::dark_library(*pass_.noise);
    if (!library.ok()) return library.error();
    method(
        "mean level and frame-to-frame variance of darks by exposure time, pixels hit by X-rays "
        "left out; straight lines through both",
        std::string(kEmva) + ", dark signal and dark noise");
    made_.conditions["cathode_laser"] =
        series_.cathode_shutter.empty()
            ? "as the set-up has it; electrons blocked by " + series_.shutter
            : "on the cathode; electrons blocked by " + series_.shutter;
    add("offset_counts", "counts", library->offset);
    add("dark_counts_per_s", "counts/s", library->rate);
    add("read_noise_counts", "counts", library->read_noise);
    for (std::size_t i = 0; i < library->levels.size(); ++i) {
      const auto& level = library->levels[i];
      const std::string number = std::to_string(i + 1);
      Measured mean = level.mean;
      mean.sentence = "exposure " + creel::number(level.exposure_s, 9) + " s" +
                      (mean.sentence.empty() ? "" : "; " + mean.sentence);
      add("level_" + number, "counts", mean);
    }
    rests_on({});
    return {};
  }

  Result<void> gain() {
    auto map = pass_.gain->map(reader_.documents().name);
    if (!map.ok()) return map.error();
    map->by_channel ? moved_spectrum(*map) : even_light(*map);
    remark("the map itself is in the session: creel evaluate --gain " + reader_.documents().name);
    rests_on(pass_.even);
    return {};
  }
  void moved_spectrum(const analysis::GainMap& map) {
    method(
        "a spectrum moved across the detector by whole channels: responses, spectrum and what the "
        "moves missed by least squares of the logarithms, rows summed",
        "least squares, common practice; empirical Bayes: H. Robbins, Proc. 3rd Berkeley Symp. 1, "
        "157 (1956)");
    double noise = 0;
    for (std::size_t c = 0; c < map.columns; ++c) noise += map.variance[c];
    noise /= map.columns;
    const auto frames = map.frames;
    add("response_spread", "1",
        {map.spread, map.sigma_spread, frames, "standard deviation of the channels' responses"});
    add("map_noise", "1",
        {std::sqrt(noise), 0, frames, "of a channel: what is left of their spread"});
    add("misfit", "1", {map.misfit, 0, frames, "chi2 over degrees of freedom"});
    remark(
        "one response for all rows of a channel, for light that lies on the rows as it did here; a "
        "slope across the whole detector and single bad pixels are not found");
    if (noise > 0.5 * map.spread * map.spread) {
      remark(
          "there was too little light to tell most channels apart: longer, brighter or more "
          "frames are needed");
    }
  }
  void even_light(const analysis::GainMap& map) {
    method("mean of evenly lit frames less mean dark, over its mean",
           std::string(kEmva) + ", photo response nonuniformity");
    double squares = 0;
    double noise = 0;
    double quartic = 0;
    double good = 0;
    for (std::size_t i = 0; i < map.response.size(); ++i) {
      if (map.bad[i] != 0) continue;
      const double off = map.response[i] - 1.0;
      squares += off * off;
      quartic += off * off * off * off;
      noise += map.variance[i];
      good += 1;
    }
    const double variance = (squares - noise) / good;
    const double error =
        std::sqrt(std::max(0.0, quartic / good - squares / good * squares / good) / good);
    if (variance > 0) {
      const double spread = std::sqrt(variance);
      add("response_spread", "1",
          {spread, 0.5 * error / spread, map.frames,
           "standard deviation of the pixels' responses, the map's own noise taken off"});
    } else {
      remark("the pixels' responses do not differ by more than the noise of the map");
    }
    const double of_map = std::sqrt(noise / good);
    const double samples = 2 * good * static_cast<double>(map.frames - 1);
    add("map_noise", "1", {of_map, of_map / std::sqrt(samples), map.frames, "of a pixel"});
    add("bad_pixels", "1", {static_cast<double>(map.bad_pixels), 0, map.frames, ""});
  }

  Result<void> photon_transfer() {
    auto found = calibration::photon_transfer(*pass_.noise);
    if (!found.ok()) return found.error();
    method(
        "variance of differences of successive evenly lit frames, covariances of neighbouring "
        "pixels added, against the mean above dark",
        std::string(kEmva) + ", photon transfer; J. R. Janesick, Photon Transfer, SPIE Press 2007");
    add("counts_per_electron", "counts", found->counts_per_electron);
    add("dark_noise_counts", "counts", found->noise);
    for (std::size_t i = 0; i < found->levels.size(); ++i) {
      const auto& level = found->levels[i];
      add("variance_" + std::to_string(i + 1), "counts^2",
          {level.variance, level.sigma_variance, found->counts_per_electron.rests_on,
           "at " + number(level.mean) + " counts, exposure " + number(level.exposure_s, 9) + " s"});
    }
    const json claim = described(reader_.documents(), series_.detector)
                           .value("gain", json::object())
                           .value("counts_per_electron", json());
    if (claim.is_number()) {
      remark("the detector itself claims " + claim.dump() +
             " counts per electron; the ratio is its excess noise, if the claim is right");
    }
    rests_on(pass_.even);
    return {};
  }

  Result<void> point_spread() {
    auto found = calibration::point_spread(*pass_.noise);
    if (!found.ok()) return found.error();
    method("autocorrelation of the noise of evenly lit frames above that of darks",
           "W. J. de Ruijter, J. K. Weiss, Rev. Sci. Instrum. 63, 4314 (1992), from memory");
    add("neighbour_part", "1", found->neighbour);
    add("correlation_1_column", "1", found->column_1);
    add("correlation_2_columns", "1", found->column_2);
    if (reader_.documents().shape.rows > 4) add("correlation_1_row", "1", found->row_1);
    remark(
        "from noise: where paths of electrons in the sensor differ from one to the next, the "
        "spread of the signal is larger");
    remark(
        "information: no answer rests on it, because what neighbours share of the noise is taken "
        "from each session's own frames");
    rests_on(pass_.even);
    return {};
  }

  Result<std::vector<calibration::EdgeEnergy>> edges() const {
    std::vector<calibration::EdgeEnergy> found;
    std::string table;
    if (!options_.table.empty()) {
      auto named = calibration::edge_table_named(options_.table);
      if (!named.ok()) return named.error();
      table = *named;
    }
    std::vector<std::string> wanted = options_.features;
    if (wanted.empty()) wanted = usual_edges(table);
    for (const std::string& text : wanted) {
      auto one = edge(text, table);
      if (!one.ok()) return one.error();
      found.push_back(*one);
    }
    auto single = calibration::one_table(found);
    if (!single.ok()) return single.error();
    return found;
  }
  /// The edges of the specimen's elements that the table has.
  std::vector<std::string> usual_edges(const std::string& table) const {
    std::vector<std::string> found;
    const bool any_table = !table.empty();
    for (const std::string& element : series_.elements) {
      for (const char* shell : {" K", " L3"}) {
        const std::string_view from = any_table ? std::string_view(table) : calibration::kXraylib;
        if (calibration::edge_energy(from, element + shell, 0).ok()) {
          found.push_back(element + shell);
        }
      }
    }
    return found;
  }
  Result<calibration::EdgeEnergy> edge(const std::string& text, const std::string& table) const {
    const std::size_t equals = text.find('=');
    if (equals == std::string::npos) {
      const std::string from = table.empty() ? std::string(calibration::kXraylib) : table;
      return calibration::edge_energy(from, text, options_.edge_sigma_ev);
    }
    const std::string form =
        "--feature: given \"" + text +
        "\"; must be an edge of a table, such as \"C K\", or \"NAME=ENERGY+-SIGMA\" in eV, where "
        "NAME ends in \"maximum\" when that is meant and not the rise";
    const std::size_t error = text.find("+-", equals);
    if (options_.features_from.empty()) {
      return Error{ErrorCode::invalid_request,
                   "--feature with an energy of your own: say where it is known from, "
                   "--features-from \"notebook 12, page 3\"; it counts as a table of its own"};
    }
    try {
      calibration::EdgeEnergy made;
      made.edge = text.substr(0, equals);
      made.ev = std::stod(text.substr(equals + 1));
      made.sigma_ev =
          error == std::string::npos ? options_.edge_sigma_ev : std::stod(text.substr(error + 2));
      made.table = options_.features_from;
      made.maximum = made.edge.ends_with("maximum");
      if (made.ev > 0 && made.sigma_ev >= 0) return made;
    } catch (const std::exception&) {  // no number: said below
    }
    return Error{ErrorCode::invalid_request, form};
  }

  Result<void> energy() {
    if (!series_.dispersion_ev) {
      return Error{ErrorCode::refused,
                   "the series does not state microscope.dispersion_ev_per_channel, which tells "
                   "where to look"};
    }
    auto known = edges();
    if (!known.ok()) return known.error();
    auto features =
        calibration::find_features(pass_.frames, gain_.noise, *series_.dispersion_ev, *known);
    if (!features.ok()) return features.error();
    for (const std::string& missed : features->missed) {
      remark(missed + " does not stand out, or lies off the axis: it took no part");
    }
    auto axis = calibration::fit_axis(features->found);
    if (!axis.ok()) return axis.error();
    std::string names;
    for (const calibration::Feature& one : features->found) {
      names += (names.empty() ? "" : ", ") + one.name + " at channel " + number(one.channel, 7) +
               (one.table.empty() ? ""
                                  : " = " + number(one.energy_ev, 6) + " +- " +
                                        number(one.sigma_energy_ev, 2) + " eV");
    }
    method("least squares through features of known energy: " + names,
           axis->table.empty() ? "zero loss only" : "energies: " + axis->table);
    made_.edge_table = axis->table;
    add("first_channel_ev", "eV", axis->first_ev);
    add("dispersion_ev_per_channel", "eV", axis->dispersion_ev);
    add("bow_ev", "eV", axis->bow_ev);
    made_.covariance_of = {"first_channel_ev", "dispersion_ev_per_channel"};
    const double first = axis->first_ev.sigma * axis->first_ev.sigma;
    const double slope = axis->dispersion_ev.sigma * axis->dispersion_ev.sigma;
    made_.covariance = {{first, axis->covariance}, {axis->covariance, slope}};
    say_noise();
    rests_on(features->sequence);
    return {};
  }

  Result<void> energy_offset() {
    const Calibration* axis = shelf_.newest("energy", made_.rig);
    const CalibrationValue* known =
        axis == nullptr ? nullptr : axis->find("dispersion_ev_per_channel");
    Measured dispersion = Measured::none("");
    if (known != nullptr && does_not_hold(*axis, series_.document).empty()) {
      dispersion = Measured(known->value, known->sigma, known->rests_on);
      made_.edge_table = axis->edge_table;
    } else if (series_.dispersion_ev) {
      dispersion = Measured(*series_.dispersion_ev, 0, 0);
      remark(
          "the dispersion is as typed, because the energy axis of this rig is not calibrated: "
          "an error of it is an error of the supply's scale here");
    } else {
      return Error{ErrorCode::refused,
                   "neither an energy calibration nor the series states the dispersion"};
    }
    const auto points = calibration::offset_points(pass_.frames);
    auto supply = calibration::offset_supply(points, dispersion);
    if (!supply.ok()) return supply.error();
    method("zero loss against the offset set, with returns to rest between that take the drift off",
           "least squares; common practice");
    add("scale", "1", supply->scale);
    add("bend_ev", "eV", supply->bend_ev);
    add("position_scatter_ev", "eV",
        {supply->scatter_ev,
         supply->scatter_ev / std::sqrt(2.0 * static_cast<double>(points.size())), points.size(),
         "of one zero loss, drift taken off"});
    remark("the axis drifted by " + number(supply->drift_ev_per_h) + " eV an hour meanwhile");
    std::vector<std::uint64_t> used;
    for (const auto* frame : pass_.frames.of(ExposureKind::zero_loss, Where::vacuum)) {
      used.push_back(frame->sequence);
    }
    rests_on(used);
    return {};
  }

  Result<void> shutter() {
    if (series_.gating != Gating::shutter) {
      return Error{ErrorCode::refused,
                   "the session was gated by the detector: its openings say nothing of how long "
                   "the shutter lets the beam through (gating.by must be \"shutter\")"};
    }
    auto times = calibration::shutter_times(pass_.frames, gain_.noise);
    if (!times.ok()) return times.error();
    method(
        "counts of exposures of growing opening, extrapolated to none; beside it the times that "
        "the shutter reports",
        "least squares; common practice");
    add("excess_s", "s", times->excess_s);
    add("excess_reported_s", "s", times->reported_s);
    const analysis::ShutterDelays delays = analysis::shutter_delays(events_);
    const auto delay = [&](const char* name, const analysis::Spread& of) {
      if (of.count > 1) {
        add(name, "s",
            {of.mean(), of.scatter() / std::sqrt(static_cast<double>(of.count)), of.count,
             "from the order to where the device measured it"});
      }
    };
    delay("opening_s", delays.opening);
    delay("closing_s", delays.closing);
    const json travel = described(reader_.documents(), series_.shutter).value("travel_ns", json());
    if (travel.is_number() && travel.get<double>() > 0) {
      add("travel_s", "s",
          {1e-9 * travel.get<double>(), 0, 0,
           "as the device describes itself, not measured: "
           "drivers report one time for each movement"});
    }
    remark("software shutter control is not a personnel-safety interlock");
    say_noise();
    rests_on(times->sequence);
    return {};
  }

  Result<void> dose_rate() {
    auto rate =
        calibration::count_rate(pass_.frames, ExposureKind::zero_loss, Where::vacuum, gain_.noise);
    if (!rate.ok()) return rate.error().during("dose rate, frames in vacuum");
    add("counts_per_s", "counts/s", rate->per_s);
    Measured electrons = Measured::none("");
    if (options_.current_pa) {
      electrons = calibration::electrons_of_current(
          *options_.current_pa, options_.current_sigma_pa.value_or(0.05 * *options_.current_pa));
      const double ratio = rate->per_s.value / electrons.value;
      add("counts_per_electron", "counts",
          {ratio,
           ratio *
               std::hypot(rate->per_s.sigma / rate->per_s.value, electrons.sigma / electrons.value),
           rate->per_s.rests_on, "counts in vacuum over the typed current"});
      method("current of a Faraday cup, typed in, and counts of the same beam in vacuum",
             "elementary charge: SI Brochure, 9th ed. 2019");
    } else if (std::isfinite(gain_.value)) {
      electrons =
          Measured(rate->per_s.value / gain_.value,
                   rate->per_s.value / gain_.value *
                       std::hypot(rate->per_s.sigma / rate->per_s.value, gain_.sigma / gain_.value),
                   rate->per_s.rests_on, "counts per electron: " + gain_.known_from);
      if (claimed_ && noise_assumed_) {
        remark("the error of the detector's claim of " + number(gain_.value) +
               " counts per electron is not in it: nothing bears the claim out (creel calibrate "
               "photon-transfer, or a typed current)");
      }
      method("counts in vacuum over counts per electron (" + gain_.known_from + ")",
             "counting; common practice");
    } else {
      return Error{ErrorCode::refused,
                   "electrons are not known from counts: the detector claims no counts per "
                   "electron; calibrate photon-transfer, or type the current of a Faraday cup "
                   "(--current-pa)"};
    }
    add_electrons(electrons);
    remark("the source flickers by " + number(100 * rate->flicker, 2) +
           " % from frame to frame, which is not in the error: it is the rate of these frames");
    say_noise();
    rests_on(rate->sequence);
    return {};
  }
  void add_electrons(const Measured& electrons) {
    add("electrons_per_s", "1/s", electrons);
    const json khz = report::field_of(series_.document, "laser", "repetition_rate_khz");
    if (khz.is_number()) {
      const double scale = 1e-3 / khz.get<double>();
      add("electrons_per_pulse", "1",
          {electrons.value * scale, electrons.sigma * scale, electrons.rests_on});
    }
    const auto area = lit_area();
    if (!area) {
      remark(
          "no dose rate: the lit area is not known (creel calibrate beam-profile, or "
          "--lit-diameter-nm)");
      return;
    }
    add("dose_rate_e_per_a2_s", "1/angstrom^2/s", calibration::dose_rate(electrons, *area));
  }
  /// As typed, else as calibrated, else as the series says (without an error).
  std::optional<calibration::LitArea> lit_area() {
    if (options_.lit_diameter_nm) {
      if (!options_.lit_sigma_nm) remark("the error of the lit diameter is not in the dose rate");
      return calibration::LitArea{options_.gaussian, *options_.lit_diameter_nm,
                                  options_.lit_sigma_nm.value_or(0)};
    }
    const Calibration* profile = shelf_.newest("beam-profile", made_.rig);
    const CalibrationValue* width = profile == nullptr ? nullptr : profile->find("width_nm");
    if (width != nullptr) {
      return calibration::LitArea{profile->conditions.value("shape", "") == "gaussian",
                                  width->value, width->sigma};
    }
    for (const Area& area : series_.areas) {
      if (area.lit_diameter_nm) return stated(*area.lit_diameter_nm);
    }
    return std::nullopt;
  }
  calibration::LitArea stated(double diameter_nm) {
    remark("the lit diameter is as the series states it, its error not in the dose rate");
    return {false, diameter_nm, 0};
  }

  Result<void> profile() {
    std::vector<std::uint64_t> used;
    const auto points = calibration::edge_points(pass_.frames, gain_.noise, used);
    auto edge = calibration::knife_edge(points);
    if (!edge.ok()) return edge.error();
    method("knife edge: zero loss against the position of an edge of the specimen",
           "J. A. Arnaud et al., Appl. Opt. 10, 2775 (1971), from memory; doses of a Gaussian in "
           "closed form");
    add_profile(made_, edge->area, points.size());
    add("edge_um", "um", edge->edge_um);
    if (!edge->told_apart) {
      remark("a flat and a Gaussian beam fit about equally well: the shape is a guess");
    }
    remark("along one direction only; an edge that is not straight makes the beam look larger");
    say_noise();
    rests_on(used);
    return {};
  }

 public:
  static void add_profile(Calibration& made, const calibration::LitArea& area,
                          std::uint64_t points) {
    made.conditions["shape"] = area.gaussian ? "gaussian" : "flat";
    const double relative = 2 * area.sigma_nm / area.fwhm_nm;
    const double peak = calibration::peak_dose_per_electron(area);
    const double mean = calibration::mean_dose_per_electron(area);
    made.values.push_back({"width_nm", "nm", area.fwhm_nm, area.sigma_nm, points,
                           area.gaussian ? "full width at half maximum" : "diameter"});
    made.values.push_back(
        {"peak_dose_per_electron", "1/angstrom^2", peak, peak * relative, points, "at the middle"});
    made.values.push_back({"mean_dose_per_electron", "1/angstrom^2", mean, mean * relative, points,
                           "what an electron meets on the average, closed form"});
  }

 private:
  Result<void> residual() {
    auto found = calibration::residual_beam(pass_.frames, gain_.noise);
    if (!found.ok()) return found.error();
    method("counts with the cathode's laser blocked over counts with it lit, in vacuum",
           "counting; common practice");
    add("fraction", "1", found->fraction);
    add("residual_e_per_a2_s", "1/angstrom^2/s",
        {found->fraction.value * series_.beam.dose_rate.value,
         series_.beam.dose_rate.value *
             std::hypot(found->fraction.sigma,
                        found->fraction.value * series_.beam.relative_uncertainty),
         found->fraction.rests_on, "of the dose rate that the series states"});
    say_noise();
    std::vector<std::uint64_t> used = found->lit.sequence;
    used.insert(used.end(), found->blocked.sequence.begin(), found->blocked.sequence.end());
    rests_on(used);
    return {};
  }

  Result<void> emission() {
    std::vector<std::uint64_t> used;
    const auto readings = analysis::power_readings(series_, reader_.documents().devices, events_);
    const auto points =
        calibration::emission_points(before_blocking(), readings, kNearReading_s, used);
    auto law = calibration::emission_law(points);
    if (!law.ok()) return law.error();
    method(
        "slope of log current against log laser power; settling by an exponential after the "
        "laser was let in again",
        "multi-photon emission: M. Goeppert-Mayer, Ann. Phys. (Leipzig) 401, 273 (1931)");
    add("photon_order", "1", law->order);
    add("counts_per_s", "counts/s", law->at_mean);
    made_.conditions["power_mw"] = law->mean_power_mw;
    remark("one frame scatters by " + number(100 * law->scatter, 2) + " % about the law");
    widening_by_charge();
    auto settled = calibration::settling(pass_.frames, gain_.noise, options_.settled_within);
    if (settled.ok()) {
      add("settling_time_s", "s", settled->time_s);
      add("missing_at_first", "1", settled->missing);
      Measured until = settled->settled_s;
      until.sentence = "until the current is within " + number(100 * options_.settled_within, 2) +
                       " % of steady";
      add("settled_after_s", "s", until);
      used.insert(used.end(), settled->sequence.begin(), settled->sequence.end());
    } else {
      remark("settling is not given: " + settled.error().text);
    }
    say_noise();
    std::sort(used.begin(), used.end());
    used.erase(std::unique(used.begin(), used.end()), used.end());
    rests_on(used);
    return {};
  }
  /// What more electrons in a pulse do to the zero loss; `creel budget` asks for it.
  void widening_by_charge() {
    if (!series_.dispersion_ev) {
      remark("widening by charge is not given: the series states no dispersion");
      return;
    }
    const auto found =
        calibration::charge_widening(before_blocking(), *series_.dispersion_ev, gain_.noise);
    if (!found.ok()) {
      remark(found.error().text);
      return;
    }
    add("sharp_zero_loss_ev2", "eV^2", found->sharp_ev2);
    add("charge_widening_ev2", "eV^2", found->added_ev2);
    const double rate_hz =
        1e3 * series_.document.value("laser", json::object()).value("repetition_rate_khz", 0.0);
    if (rate_hz > 0 && gain_.value > 0) {
      const double per_pulse = found->mean_per_s / gain_.value / rate_hz;
      add("electrons_per_pulse", "1",
          Measured(per_pulse, per_pulse * gain_.sigma / gain_.value, found->added_ev2.rests_on,
                   "mean of the frames; counts per electron: " + gain_.known_from));
    } else {
      remark(
          "electrons per pulse are not given: they need laser.repetition_rate_khz and counts "
          "per electron");
    }
    remark("zero loss: FWHM^2 = sharp + widening x (charge / mean charge)^2; misfit " +
           number(found->misfit, 2) + " of what counting explains");
  }
  /// Frames that a settling cathode did not touch.
  [[nodiscard]] calibration::Frames before_blocking() const {
    calibration::Frames before = pass_.frames;
    const auto first = std::find_if(before.lit.begin(), before.lit.end(), [](const auto& frame) {
      return frame.kind == ExposureKind::background;
    });
    before.lit.erase(first, before.lit.end());
    return before;
  }

  std::string kind_;
  session::Reader& reader_;
  const Series& series_;
  Pass pass_;
  const Shelf& shelf_;
  const EvaluationOptions& options_;
  CountsPerElectron gain_;
  bool claimed_ = false, noise_assumed_ = false;
  std::vector<json> events_;
  Calibration made_;
};

}  // namespace

Result<Calibration> evaluate_session(std::string_view kind, session::Reader& reader,
                                     const Shelf& shelf, const EvaluationOptions& options,
                                     const std::string& program, const report::Progress& progress) {
  const session::Documents& documents = reader.documents();
  auto series = parse_series(documents.series_text, documents.name + " (its series)");
  if (!series.ok()) return series.error();
  auto rig = parse_rig(documents.rig_text, documents.name + " (its rig)");
  if (!rig.ok()) return rig.error();
  auto pass = read_frames(reader, *series, progress);
  if (!pass.ok()) return pass.error();
  auto made =
      Evaluation(kind, reader, *series, std::move(*pass), shelf, options).make(rig->name, program);
  return made.ok() ? std::move(made)
                   : Result<Calibration>(made.error().during("session " + documents.name));
}

Result<Calibration> evaluate_typed(std::string_view kind, const std::string& rig,
                                   const Series& series, std::int64_t now_utc_ns,
                                   const Shelf& shelf, const EvaluationOptions& options,
                                   const std::string& program) {
  const CalibrationKind& of = *find_calibration_kind(kind);
  Calibration made;
  made.kind = kind;
  made.rig = rig;
  made.program = program;
  made.taken_utc_ns = now_utc_ns;
  made.valid_until_utc_ns =
      now_utc_ns + static_cast<std::int64_t>(options.valid_h.value_or(of.valid_h) * kNsPerHour);
  const json microscope = series.document.value("microscope", json::object());
  for (const std::string_view name : of.holds_for) {
    const std::string field(name);
    if (!field.empty() && microscope.contains(field)) made.holds_for[field] = microscope[field];
  }
  made.method = "typed in";
  made.source = "what the person read off an instrument";
  std::optional<calibration::LitArea> area;
  if (options.lit_diameter_nm) {
    area = {options.gaussian, *options.lit_diameter_nm, options.lit_sigma_nm.value_or(0)};
  } else if (const Calibration* profile = shelf.newest("beam-profile", rig);
             profile != nullptr && profile->find("width_nm") != nullptr) {
    const CalibrationValue& width = *profile->find("width_nm");
    area = {profile->conditions.value("shape", "") == "gaussian", width.value, width.sigma};
  }
  if (kind == "beam-profile" && options.lit_diameter_nm) {
    Evaluation::add_profile(made, *area, 0);
    return made;
  }
  if (kind == "dose-rate" && options.current_pa) {
    const Measured electrons = calibration::electrons_of_current(
        *options.current_pa, options.current_sigma_pa.value_or(0.05 * *options.current_pa));
    made.values.push_back(
        {"electrons_per_s", "1/s", electrons.value, electrons.sigma, 0, "current as typed"});
    if (area) {
      const Measured rate = calibration::dose_rate(electrons, *area);
      made.values.push_back(
          {"dose_rate_e_per_a2_s", "1/angstrom^2/s", rate.value, rate.sigma, 0, ""});
    }
    return made;
  }
  return Error{ErrorCode::refused,
               "only a dose rate (--current-pa) and a beam profile (--lit-diameter-nm) can be "
               "typed in"};
}

}  // namespace creel::calibrate
