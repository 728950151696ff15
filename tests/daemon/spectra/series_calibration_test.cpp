// What a session says of the instrument, against what the simulated world keeps hidden.
//
// Acceptance of the pulls: for N nights the mean of N(0, 1) numbers lies within 3/sqrt(N), their
// variance within chi-square's interval of 99.7 %, by the cube-root approximation of E. B. Wilson
// and M. M. Hilferty, Proc. Natl. Acad. Sci. 17, 684 (1931). Seeds are fixed.
#include "daemon/spectra/series_calibration.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstdio>

#include "sim/world.h"

namespace creel::analysis {
namespace {

using nlohmann::json;

constexpr double kStatedDispersion_ev = 0.5;
constexpr double kTrueDispersion_ev = 0.503;
constexpr double kStatedFirst_ev = -24;
constexpr double kTrueFirst_ev = -23.63;  // the axis is off by 0.37 eV
constexpr double kMoved_ev = 224;
constexpr int kReferences = 20;
constexpr int kExposures = 30;
#ifdef CREEL_SANITIZED
constexpr int kNights = 4;
#else
constexpr int kNights = 48;
#endif

std::int64_t ns(double s) {
  return static_cast<std::int64_t>(std::llround(s * 1e9));
}

sim::Laboratory laboratory() {
  sim::Laboratory made;
  made.source.profile = sim::Profile::flat;
  made.source.electrons_per_pulse = 6.28;
  // So that zero loss and edge have one true place on all nights.
  made.source.high_tension_drift_v = 0;
  made.specimen.fe3_fraction = {1, 1};
  made.specimen.critical_dose = {1e9, 1e9};
  made.specimen.t_over_lambda = {0.4, 0.4};
  made.specimen.mass_loss = 0;
  return made;
}

sim::Camera camera(double gain_spread) {
  sim::Camera made;
  made.rows = 1;
  made.stripe_fwhm_rows = 0.5;
  made.gain_spread = gain_spread;
  made.gain_pattern = 0;  // is what a gain map is for
  return made;
}

/// What is left of a night: as a reader of its session has it.
struct Night {
  InstrumentFrames frames;
  SessionSpectra spectra;
  double true_per_pulse = 0, true_change = 0;
};

class Recorder {
 public:
  Recorder(const sim::View& view, const sim::Sensor& sensor, bool vacuum)
      : view_(view),
        sensor_(sensor),
        history_(view.laboratory().source, view.seed()),
        vacuum_(vacuum),
        spectra_(setup()),
        instrument_({1, sensor.camera().columns, session::Pixel::u16}, Gating::detector) {}

  Result<Night> night() {
    for (int i = 0; i < 30; ++i) {
      CREEL_TRY(take(ExposureKind::dark, 10));
      CREEL_TRY(take(ExposureKind::dark, 0.002));
    }
    for (int i = 0; i < kExposures; ++i) {
      CREEL_TRY(take(ExposureKind::specimen, 10));
      if (i * kReferences / kExposures != (i + 1) * kReferences / kExposures) {
        CREEL_TRY(take(ExposureKind::zero_loss, 0.002));
      }
    }
    auto found = spectra_.finish();
    if (!found.ok()) {
      return found.error();
    }
    Night made{instrument_.frames(), std::move(*found), 0, 0};
    const std::size_t part = electrons_.size() / 5;
    double first = 0;
    double last = 0;
    for (std::size_t i = 0; i < electrons_.size(); ++i) {
      made.true_per_pulse += electrons_[i] / (2000.0 * static_cast<double>(electrons_.size()));
      first += i < part ? electrons_[i] : 0.0;
      last += i + part >= electrons_.size() ? electrons_[i] : 0.0;
    }
    made.true_change = last / first - 1;
    return made;
  }

 private:
  [[nodiscard]] SpectraCollector::Setup setup() const {
    SpectraCollector::Setup made;
    made.name = "night";
    made.shape = {1, sensor_.camera().columns, session::Pixel::u16};
    made.dispersion_ev = kStatedDispersion_ev;
    return made;
  }
  Result<void> take(ExposureKind kind, double exposure_s) {
    const bool reference = kind == ExposureKind::zero_loss;
    const bool in_vacuum = reference && vacuum_;
    if (kind != ExposureKind::dark) {
      const sim::Event events[] = {
          {ns(now_s_ - 0.02), sim::Channel::stage_x, in_vacuum ? 64000 : 0},
          {ns(now_s_ - 0.01), sim::Channel::beam, 1},
          {ns(now_s_ + exposure_s + 0.01), sim::Channel::beam, 0}};
      if (!history_.add(events)) {
        return Error{ErrorCode::internal, "the log is out of order"};
      }
    }
    session::Record record;
    record.kind = static_cast<std::uint8_t>(kind);
    record.where = static_cast<std::uint8_t>(in_vacuum ? Where::vacuum : Where::specimen);
    record.area = 0;
    record.exposure_set_ns = record.exposure_ns = ns(exposure_s);
    record.start_ns = ns(now_s_);
    if (kind != ExposureKind::dark) {
      record.opened_ns = ns(now_s_ - 0.01);
      record.closed_ns = ns(now_s_ + exposure_s + 0.01);
    }
    const double moved = kind == ExposureKind::specimen ? kMoved_ev : 0;
    record.first_channel_ev = kStatedFirst_ev + moved;
    std::vector<double> columns(sensor_.camera().columns);
    view_.expected(history_, ns(now_s_), ns(now_s_ + exposure_s),
                   {kTrueFirst_ev, kTrueDispersion_ev, moved}, columns);
    if (reference) {
      double sum = 0;
      for (const double one : columns) {
        sum += one;
      }
      electrons_.push_back(sum);
    }
    std::vector<std::uint16_t> frame(columns.size());
    sim::Random random = sim::frame_random(view_.seed(), ns(now_s_), 0);
    if (sensor_.render(columns, exposure_s, random, workspace_, frame)) {
      record.flags |= session::kSaturated;
    }
    now_s_ += exposure_s + 0.1;
    const auto bytes = std::as_bytes(std::span<const std::uint16_t>(frame));
    CREEL_TRY(instrument_.add(record, bytes));
    return spectra_.add(frame_info(record), bytes);
  }

  const sim::View& view_;
  const sim::Sensor& sensor_;
  sim::History history_;
  bool vacuum_;
  SpectraCollector spectra_;
  CalibrationCollector instrument_;
  sim::Sensor::Workspace workspace_;
  std::vector<double> electrons_;
  double now_s_ = 1;
};

StatedInstrument stated() {
  StatedInstrument made;
  made.repetition_rate_hz = 1e6;
  made.dose_rate = 0.02;
  made.dose_rate_relative = 0.08;
  made.lit_diameters_nm = {{"film-a", 2000}};
  made.elements = {"C", "O", "H", "Fe"};
  made.energy_offset_ev = kStatedFirst_ev;
  made.dispersion_ev = kStatedDispersion_ev;
  return made;
}

/// Limit of a variance of n standard normal numbers, z standard deviations out.
double variance_limit(double n, double z) {
  const double root = 1 - 2 / (9 * (n - 1)) + z * std::sqrt(2 / (9 * (n - 1)));
  return root * root * root;
}

void expect_scatter(const char* what, const Spread& values, double sigma) {
  const double part = std::pow(values.scatter() / sigma, 2);
  std::printf("  %s: mean %.5f, scatter %.6f, error bar without what is common %.6f\n", what,
              values.mean(), values.scatter(), sigma);
  EXPECT_GT(part, variance_limit(static_cast<double>(values.count), -3)) << what;
  EXPECT_LT(part, variance_limit(static_cast<double>(values.count), 3)) << what;
}

struct Pull {
  Spread pulls, errors, sigmas;
  void add(double off, double sigma) {
    pulls.add(off / sigma);
    errors.add(off);
    sigmas.add(sigma);
  }
  void expect_honest(const char* what) const {
    const auto n = static_cast<double>(pulls.count);
    const double variance = pulls.scatter() * pulls.scatter();
    std::printf("  %s: %.0f nights, pull %+.3f +- %.3f, variance %.2f, error bar %.4g\n", what, n,
                pulls.mean(), 1 / std::sqrt(n), variance, sigmas.mean());
    EXPECT_LT(std::fabs(pulls.mean()), 3 / std::sqrt(n)) << what;
    EXPECT_GT(variance, variance_limit(n, -3)) << what;
    EXPECT_LT(variance, variance_limit(n, 3)) << what;
  }
};

TEST(SeriesCalibration, ErrorBarsAreHonestAgainstTheHiddenTruth) {
  const sim::Laboratory lab = laboratory();
  const sim::Shells shells(lab.source, lab.column, kTrueDispersion_ev);
  const sim::Sensor sensor(camera(0), 5, 0);
  Pull electrons, dose_rate, change, gain;
  Spread offset, offset_sigma, dispersion, dispersion_sigma;
  for (int seed = 1; seed <= kNights; ++seed) {
    const sim::View view(shells, lab, static_cast<std::uint64_t>(seed));
    const auto night = Recorder(view, sensor, true).night();
    ASSERT_TRUE(night.ok()) << "seed " << seed << ": " << night.error().text;
    const auto made = calibrate(night->frames, night->spectra, stated(), {}, {});
    ASSERT_EQ(made.per_pulse.size(), 1U) << made.per_pulse_withheld;
    const ElectronsPerPulse& one = made.per_pulse.front();
    EXPECT_EQ(one.where, Where::vacuum);
    EXPECT_EQ(one.mean.rests_on, static_cast<std::uint64_t>(kReferences));
    electrons.add(one.mean.value - night->true_per_pulse, one.mean.sigma);
    change.add(one.change.value - night->true_change, one.change.sigma);
    gain.add(made.gain.value - 10, made.gain.sigma);
    ASSERT_EQ(made.dose_rates.size(), 1U) << made.dose_rate_withheld;
    dose_rate.add(made.dose_rates[0].rate.value -
                      night->true_per_pulse * 1e6 * sim::peak_dose_per_electron(lab.source),
                  made.dose_rates[0].rate.sigma);
    // On the stated axis the zero loss stands where its true channel puts it.
    const double seen = kStatedFirst_ev - kTrueFirst_ev / kTrueDispersion_ev * kStatedDispersion_ev;
    EXPECT_LT(std::fabs(made.zero_loss_ev.value - seen), 3 * made.zero_loss_ev.sigma)
        << "seed " << seed;
    offset.add(made.zero_loss_ev.value);
    offset_sigma.add(made.zero_loss_sigma_scatter);
    ASSERT_TRUE(made.dispersion_ev.given()) << made.dispersion_ev.sentence;
    EXPECT_EQ(made.edge, "Fe L3");
    EXPECT_LT(std::fabs(made.dispersion_ev.value - kTrueDispersion_ev),
              2 * made.dispersion_ev.sigma)
        << "seed " << seed;
    dispersion.add(made.dispersion_ev.value);
    dispersion_sigma.add(made.dispersion_sigma_counting);
  }
  electrons.expect_honest("electrons per pulse");
  dose_rate.expect_honest("dose rate");
  change.expect_honest("change over the session");
  gain.expect_honest("photon-transfer gain");
  // Shape and table err alike on all nights; their scatter is what noise alone says.
  expect_scatter("zero loss", offset, offset_sigma.mean());
  expect_scatter("dispersion", dispersion, dispersion_sigma.mean());
}

TEST(SeriesCalibration, ThroughTheFilmIsALowerBoundAndNeverADoseRate) {
  const sim::Laboratory lab = laboratory();
  const sim::View view(lab, 3, kTrueDispersion_ev);
  const sim::Sensor sensor(camera(0.3), 5, 0);
  const auto night = Recorder(view, sensor, false).night();
  ASSERT_TRUE(night.ok()) << night.error().text;
  StatedInstrument with_claim = stated();
  with_claim.counts_per_electron = 10;
  std::vector<PowerReading> readings;
  readings.reserve(1500);
  for (int i = 0; i < 1500; ++i) {
    readings.push_back({static_cast<double>(i), sim::laser_power_mw(lab.source, 3, i)});
  }
  const auto made = calibrate(night->frames, night->spectra, with_claim, readings, {});
  ASSERT_EQ(made.per_pulse.size(), 1U) << made.per_pulse_withheld;
  EXPECT_EQ(made.per_pulse[0].where, Where::specimen);
  EXPECT_LT(made.per_pulse[0].mean.value, 0.95 * lab.source.electrons_per_pulse);
  EXPECT_NE(made.per_pulse[0].mean.sentence.find("lower bound"), std::string::npos);
  EXPECT_TRUE(made.dose_rates.empty());
  EXPECT_NE(made.dose_rate_withheld.find("vacuum"), std::string::npos);
  // Excess noise of 0.3^2 makes photon transfer read 9 % high; that is the error of the claim.
  EXPECT_NEAR(made.gain.value, 10.9, 5 * made.gain.sigma);
  EXPECT_EQ(made.gain_used.value, 10);
  EXPECT_GT(made.gain_used.sigma, std::fabs(made.gain.value - 10) * 0.999);
  EXPECT_EQ(made.counts_per_mw.rests_on, static_cast<std::uint64_t>(kReferences));
  EXPECT_LT(made.counts_per_mw_scatter, 0.1);
  const double per_mw = night->true_per_pulse * 1e6 * 10 / lab.source.laser_power_mw;
  EXPECT_NEAR(made.counts_per_mw.value, per_mw, 0.05 * per_mw);
  EXPECT_EQ(to_json(made).at("electrons_per_pulse").at(0).at("lower_bound"), true);
}

TEST(SeriesCalibration, WhatIsMissingIsSaidInASentence) {
  const InstrumentFrames frames;
  SessionSpectra spectra;
  spectra.channels = 64;
  spectra.core.emplace_back();
  const auto made = calibrate(frames, spectra, {}, {}, {});
  EXPECT_TRUE(made.per_pulse.empty());
  const json object = to_json(made);
  EXPECT_TRUE(object.at("electrons_per_pulse_withheld").is_string());
  EXPECT_TRUE(object.at("dose_rate_withheld").is_string());
  for (const char* place :
       {"/laser_power/counts_per_s_mw", "/energy_scale/zero_loss_ev",
        "/energy_scale/dispersion_ev_per_channel", "/gain/photon_transfer_counts_per_electron",
        "/gain/used_counts_per_electron", "/shutter/order_to_open_s",
        "/shutter/opening_travel_s"}) {
    const json& one = object.at(json::json_pointer(place));
    EXPECT_TRUE(one.at("value").is_null()) << place;
    EXPECT_TRUE(one.at("sentence").is_string()) << place;
  }
  for (const CalibrationLine& line : calibration_lines(made)) {
    EXPECT_EQ(line.value, "not given") << line.what;
    EXPECT_FALSE(line.note.empty()) << line.what;
  }
}

TEST(SeriesCalibration, ReferencesWithoutDarksOrSaturatedAreNotCounted) {
  CalibrationCollector collector({1, 4, session::Pixel::u16}, Gating::detector);
  const std::uint16_t pixels[] = {1, 2, 3, 4};
  session::Record record;
  record.kind = static_cast<std::uint8_t>(ExposureKind::zero_loss);
  record.exposure_set_ns = record.exposure_ns = 1'000'000;
  ASSERT_TRUE(collector.add(record, std::as_bytes(std::span(pixels))).ok());
  record.flags = session::kSaturated;
  ASSERT_TRUE(collector.add(record, std::as_bytes(std::span(pixels))).ok());
  record.flags = session::kBroken;
  ASSERT_TRUE(collector.add(record, std::as_bytes(std::span(pixels))).ok());
  EXPECT_FALSE(collector.add(record, std::as_bytes(std::span(pixels, 3))).ok());
  EXPECT_EQ(collector.frames().references.size(), 1U);
  EXPECT_EQ(collector.frames().saturated, 1U);
  EXPECT_EQ(collector.frames().left_out, 1U);
  SessionSpectra spectra;
  spectra.core.emplace_back();
  const auto made = calibrate(collector.frames(), spectra, stated(), {}, {});
  EXPECT_NE(made.per_pulse_withheld.find("darks of its exposure time"), std::string::npos);
}

TEST(SeriesCalibration, ShutterTimesComeFromRecordsAndFromTheEventsOfEachRun) {
  const std::uint16_t pixels[] = {1, 2, 3, 4};
  CalibrationCollector collector({1, 4, session::Pixel::u16}, Gating::detector);
  for (const std::int64_t late : {2, 4}) {
    session::Record record;
    record.start_ns = 1'000'000'000;
    record.exposure_ns = record.exposure_set_ns = 500'000'000;
    record.opened_ns = 990'000'000;
    record.closed_ns = 1'500'000'000 + late * 1'000'000;
    ASSERT_TRUE(collector.add(record, std::as_bytes(std::span(pixels))).ok());
    record.flags = session::kShutterNotMeasured;
    ASSERT_TRUE(collector.add(record, std::as_bytes(std::span(pixels))).ok());
  }
  EXPECT_EQ(collector.frames().not_measured, 2U);
  EXPECT_NEAR(collector.frames().opened_before_s.mean(), 0.010, 1e-9);
  EXPECT_NEAR(collector.frames().closed_after_s.mean(), 0.003, 1e-9);
  const auto run = [](double a, double b) {
    return json{{"count", 2},
                {"sum_s", a + b},
                {"squares_s2", a * a + b * b},
                {"least_s", a},
                {"most_s", b}};
  };
  const auto delays = shutter_delays(
      {{{"event", "shutter_times"}, {"opening", run(0.004, 0.006)}, {"closing", run(0.002, 0.004)}},
       {{"event", "shutter_times"},
        {"opening", run(0.005, 0.007)},
        {"opening_delay", run(0.002, 0.003)},
        {"opening_travel", run(0.004, 0.006)}},
       {{"event", "shutter_times"}, {"opening", "torn"}},
       json::array()});
  EXPECT_EQ(delays.opening.count, 4U);
  EXPECT_NEAR(delays.opening.mean(), 0.0055, 1e-12);
  EXPECT_EQ(delays.opening.least, 0.004);
  EXPECT_EQ(delays.opening.most, 0.007);
  EXPECT_EQ(delays.closing.count, 2U);
  EXPECT_NEAR(delays.opening_delay.mean(), 0.0025, 1e-12);
  // One run measured the movement itself and one did not: what is known is said, what is not has
  // its reason.
  SessionSpectra spectra;
  spectra.core.emplace_back();
  const auto made = calibrate(collector.frames(), spectra, stated(), {}, delays);
  EXPECT_NEAR(made.opening_travel_s.value, 0.005, 1e-12);
  EXPECT_EQ(made.opening_travel_s.rests_on, 2U);
  EXPECT_NE(made.closing_travel_s.sentence.find("one time for each movement"), std::string::npos);
  EXPECT_NE(to_json(made).dump().find("\"opening_delay_s\":{\"rests_on\":2"), std::string::npos)
      << to_json(made)["shutter"];
}

TEST(SeriesCalibration, ReadingsOfPowerAreFoundByTheirUnitAndBroughtToMilliwatts) {
  Series series;
  series.gauges = {"room", "laser"};
  const json devices = {
      {"room", {{"describe", {{"channels", {{{"name", "t"}, {"unit", "degC"}}}}}}}},
      {"laser",
       {{"describe",
         {{"channels",
           {{{"name", "pointing"}, {"unit", "um"}}, {{"name", "power"}, {"unit", "W"}}}}}}}}};
  const json good = {{"value", 0.02}, {"taken_ns", 5'000'000'000}, {"valid", true}};
  const json bad = {{"value", nullptr}, {"taken_ns", 6'000'000'000}, {"valid", false}};
  const auto event = [](const json& power) {
    return json{{"event", "gauges"}, {"readings", {{"laser", {power, power}}}}};
  };
  const auto found =
      power_readings(series, devices, {event(good), event(bad), json{{"event", "gauges"}}});
  ASSERT_EQ(found.size(), 1U);
  EXPECT_DOUBLE_EQ(found[0].power_mw, 20);
  EXPECT_DOUBLE_EQ(found[0].taken_s, 5);
  EXPECT_EQ(stated_instrument(series, devices).power_gauge, "laser power");
  EXPECT_TRUE(power_readings(series, json::array(), {event(good)}).empty());
}

TEST(SeriesCalibration, EdgeRiseIsFoundAtTheTableEnergyAndRefusedInNoise) {
  // Carbon K, 284.2 eV: X-Ray Data Booklet, LBNL/PUB-490, 3rd ed. 2009, table 1-1.
  const Grid grid{200, 0.5, 400};
  std::vector<double> counts;
  for (std::size_t c = 0; c < grid.channels; ++c) {
    const double ev = grid.centre(c);
    counts.push_back(1e5 * std::pow(ev / 250, -3) +
                     1e4 * 0.5 * std::erfc((284.2 - ev) / (0.6 * std::sqrt(2.0))));
  }
  const auto rise = find_edge_rise(counts, counts, grid, 284.2);
  ASSERT_TRUE(rise.ok()) << rise.error().text;
  EXPECT_NEAR(rise->at_ev, 284.2, 0.1);
  EXPECT_LT(rise->sigma_ev, 0.2);
  for (std::size_t c = 0; c < grid.channels; ++c) {
    counts[c] = 1e5 * std::pow(grid.centre(c) / 250, -3);
  }
  EXPECT_FALSE(find_edge_rise(counts, counts, grid, 284.2).ok());
  EXPECT_FALSE(find_edge_rise(counts, counts, grid, 205).ok());
}

}  // namespace
}  // namespace creel::analysis
