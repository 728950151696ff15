// Every kind of calibration, end to end: creel makes the series, creeld runs it on the simulated
// rig, creel evaluates the session, and the record is compared with what the rig's world hides.
// Errors are those that the record states; five of them are allowed, because the seed is fixed and
// the source of this rig drifts.

#include <gtest/gtest.h>

#include <cmath>
#include <fstream>
#include <iterator>

#include "client/report/evaluation_input.h"
#include "protocol/series/calibration.h"
#include "protocol/session/source.h"
#include "sim/camera.h"
#include "tests/system/daemon_process.h"

namespace creel::system_test {
namespace {

using nlohmann::json;

std::string scenario(const std::string& name) {
  const char* source = std::getenv("CREEL_SOURCE");
  return (source == nullptr ? std::string(".") : std::string(source)) + "/sim/scenarios/" + name;
}

Ran creel(const DaemonProcess& daemon, std::vector<std::string> words) {
  words.insert(words.end(), {"--socket", daemon.socket()});
  return run_program("creel", words);
}

/// Takes a calibration and reads its record back.
Calibration take(const DaemonProcess& daemon, const std::string& kind, const std::string& series,
                 std::vector<std::string> more = {}) {
  more.insert(more.begin(), {"calibrate", kind, "--for", scenario(series + ".series.json")});
  const Ran ran = creel(daemon, more);
  EXPECT_EQ(ran.exit, 0) << ran.said;
  const std::string mark = "written to ";
  const std::size_t at = ran.said.rfind(mark);
  if (at == std::string::npos) return {};
  const std::size_t begin = at + mark.size();
  const std::string path = ran.said.substr(begin, ran.said.find('\n', begin) - begin);
  std::ifstream file(path);
  auto record = parse_calibration(std::string{std::istreambuf_iterator<char>(file), {}}, path);
  EXPECT_TRUE(record.ok()) << record.error().text;
  return record.ok() ? *record : Calibration{};
}

/// The session that a record came from.
std::string session_of(const Calibration& record) {
  const auto state = std::filesystem::path(record.origin).parent_path().parent_path();
  return state / "sessions" / (record.sessions.at(0).name + ".h5");
}

class Calibrations : public ::testing::Test {
 protected:
  Ran creel(const std::vector<std::string>& words) { return system_test::creel(daemon_, words); }
  Calibration take(const std::string& kind, const std::string& series,
                   const std::vector<std::string>& more = {}) {
    return system_test::take(daemon_, kind, series, more);
  }
  static void expect(const Calibration& record, const std::string& name, double truth) {
    const CalibrationValue* found = record.find(name);
    ASSERT_NE(found, nullptr) << record.kind << " " << name;
    EXPECT_NEAR(found->value, truth, 5 * found->sigma) << record.kind << " " << name;
    EXPECT_GT(found->rests_on, 0U);
    std::printf("%-16s %-26s %12.6g +- %-9.2g true %.6g\n", record.kind.c_str(), name.c_str(),
                found->value, found->sigma, truth);
  }

  const ScratchDirectory scratch_;
  DaemonProcess daemon_{scratch_.path(), "ink-lab.rig.json"};
};

TEST_F(Calibrations, EveryKindFindsWhatTheRigHides) {
  const Ran none = creel({"calibrate"});
  EXPECT_EQ(none.exit, 0);
  EXPECT_NE(none.said.find("missing"), std::string::npos) << none.said;

  // The sensor: gain 10 with a spread of 0.3, 3 counts of read noise and 2 counts/s of dark, 200
  // counts of offset, a tenth into each neighbour, responses that differ by 1 % (sim/camera.h).
  const Calibration dark = take("dark", "ink-film");
  expect(dark, "offset_counts", 200);
  expect(dark, "dark_counts_per_s", 2);
  expect(dark, "read_noise_counts", std::sqrt(9 + 1.0 / 12));
  EXPECT_EQ(dark.sessions.size(), 1U);
  expect(take("photon-transfer", "ink-gain", {"--exposure", "10"}), "counts_per_electron",
         10 * 1.09 * 1.0001);
  expect(take("gain", "ink-gain", {"--frames", "20"}), "response_spread", 0.01);
  expect(take("point-spread", "ink-gain", {"--exposure", "10"}), "neighbour_part", 0.1);

  // The axis is what the rig document says: 0.5 eV from -24 eV. The error is that of table
  // energies.
  const Calibration energy = take("energy", "standard-fe2", {"--table", "xraylib"});
  expect(energy, "dispersion_ev_per_channel", 0.5);
  expect(energy, "first_channel_ev", -24);
  EXPECT_EQ(energy.edge_table, "xraylib 4.0");
  expect(take("energy-offset", "ink-film"), "scale", 1);

  // The beam: 6.28 electrons a pulse, a million pulses a second, a flat disc of 2 um, a fifth of a
  // per cent of it with the laser blocked; the shutter moves half of its travel of 4 ms late.
  expect(take("beam-profile", "ink-film", {"--edge", "x=500"}), "width_nm", 2000);
  const Calibration rate =
      take("dose-rate", "ink-film", {"--current-pa", "1.006", "--current-sigma-pa", "0.02"});
  expect(rate, "electrons_per_pulse", 6.28);
  expect(rate, "counts_per_electron", 10);
  expect(rate, "dose_rate_e_per_a2_s", 6.28e6 / (3.14159265 * 1e8));
  expect(take("residual", "ink-film"), "fraction", 0.002);
  const Calibration shutter = take("shutter", "ink-film");
  expect(shutter, "excess_s", 0.004);
  EXPECT_NEAR(shutter.find("excess_reported_s")->value, 0.004, 1e-6);
  const Calibration emission = take("emission", "ink-film", {"--attenuator", "stage.attenuator"});
  expect(emission, "photon_order", 1);
  expect(emission, "settling_time_s", 30);
  const double mean_charge = emission.find("electrons_per_pulse")->value;
  expect(emission, "charge_widening_ev2", std::pow(0.03 * mean_charge, 2));

  // Each is in date now; a series that rests on them is told of none.
  const Ran all = creel({"calibrate"});
  EXPECT_EQ(all.said.find("missing"), std::string::npos) << all.said;
  const Ran check = creel({"check", scenario("ink-film.series.json"), "--json"});
  const json answer = json::parse(check.said.substr(0, check.said.find('\n')));
  ASSERT_TRUE(answer.contains("calibrations")) << check.said;
  for (const json& one : answer["calibrations"]) EXPECT_EQ(one["state"], "in date") << one;
}

/// The rig of the ink laboratory on a day with a beam that is so many times as bright.
std::string brighter_rig(const ScratchDirectory& scratch, double times) {
  json document = json::parse(read_scenario("ink-lab.rig.json"));
  json& electrons = document["common"]["simulated"]["world"]["electrons_per_pulse"];
  electrons = electrons.get<double>() * times;
  std::string path = scratch.path() / "bright.rig.json";
  std::ofstream(path) << document;
  return path;
}

/// What the rig hides: how the channels of its camera answer to the stripe of a spectrum, mean and
/// slope of the logarithms taken off as the calibration cannot tell them. From the same sensor with
/// light in all channels and next to no noise.
std::vector<double> hidden_responses() {
  sim::Camera camera;  // the rig document changes nothing of it that matters here
  camera.stripe_fwhm_rows = camera.rows * 0.375 + 0.1;
  camera.gain = 1e-3;
  camera.gain_spread = camera.read_noise = camera.dark_counts_per_s = camera.offset =
      camera.offset_pattern = 0;
  const sim::Sensor sensor(camera, 20260314, sim::number_of("camera"));
  sim::Sensor::Workspace workspace;
  sim::Random random(1);
  std::vector<std::uint16_t> frame(std::size_t{camera.rows} * camera.columns);
  sensor.render(std::vector<double>(camera.columns, 7e8), 1, random, workspace, frame);
  std::vector<double> logs(camera.columns, 0.0);
  for (std::size_t i = 0; i < frame.size(); ++i) logs[i % camera.columns] += frame[i];
  const double n = camera.columns;
  double mean = 0;
  double slope = 0;
  for (std::size_t c = 0; c < logs.size(); ++c) {
    logs[c] = std::log(logs[c]);
    const double x = static_cast<double>(c) - 0.5 * (n - 1);
    mean += logs[c] / n;
    slope += logs[c] * x / (n * (n * n - 1) / 12);
  }
  for (std::size_t c = 0; c < logs.size(); ++c) {
    logs[c] = std::exp(logs[c] - mean - slope * (static_cast<double>(c) - 0.5 * (n - 1)));
  }
  return logs;
}

TEST_F(Calibrations, GainFromAMovedSpectrumFindsTheHiddenMapAndServesAnEvaluation) {
  const ScratchDirectory of_bright_day;
  const DaemonProcess bright_day(of_bright_day.path(), brighter_rig(of_bright_day, 40));
  const Calibration record = system_test::take(bright_day, "gain", "standard-fe2", {"--dithered"});
  EXPECT_NE(record.method.find("moved across"), std::string::npos);
  const auto source = session::native_source();
  const auto map = report::read_gain(*source, session_of(record),
                                     [](std::uint64_t, std::uint64_t) { return true; });
  ASSERT_TRUE(map.ok()) << map.error().text;
  ASSERT_TRUE((*map)->by_channel);
  const std::vector<double> truth = hidden_responses();
  double pulls = 0;
  double off = 0;
  double spread = 0;
  double noise = 0;
  std::size_t far = 0;
  for (std::size_t c = 0; c < truth.size(); ++c) {
    const double error = (*map)->response[c] - truth[c];
    const double pull = error / std::sqrt((*map)->variance[c]);
    const double n = static_cast<double>(truth.size());
    pulls += pull * pull / n;
    off += error * error / n;
    spread += (truth[c] - 1) * (truth[c] - 1) / n;
    noise += (*map)->variance[c] / n;
    far += std::fabs(pull) > 4 ? 1 : 0;
  }
  std::printf("dithered: mean squared pull %.3f, %zu beyond 4; off by %.5f, quoted %.5f, of %.5f\n",
              pulls, far, std::sqrt(off), std::sqrt(noise), std::sqrt(spread));
  EXPECT_NEAR(pulls, 1, 0.2);
  EXPECT_LE(far, 3U);
  expect(record, "response_spread", std::sqrt(spread));

  // An evaluation takes it as it takes one of even light, and says the same with it.
  const Calibration flat = take("gain", "ink-gain", {"--frames", "20"});
  const json started = daemon_.start_series(read_scenario("standard-fe2.series.json"));
  ASSERT_TRUE(started.contains("session")) << started;
  ASSERT_TRUE(until(seconds(120), [&] {
    return !daemon_.call("daemon.status")["series"]["running"].get<bool>();
  }));
  const auto ratio = [&](const Calibration& gain) {
    const Ran ran = creel({"evaluate", started["session"], "--gain", session_of(gain), "--json"});
    const json answer = json::parse(ran.said.substr(0, ran.said.find('\n')), nullptr, false);
    EXPECT_TRUE(answer.is_object() && answer.contains("evaluation")) << ran.said;
    EXPECT_EQ(answer["evaluation"]["specimen"]["gain_map"], gain.sessions.at(0).name);
    return std::pair{answer["evaluation"]["ratio"]["value"].get<double>(),
                     answer["evaluation"]["ratio"]["sigma"].get<double>()};
  };
  // Left out, it is the one of the calibration that was in force: here the last before the session.
  const Ran chosen = creel({"evaluate", started["session"], "--json"});
  EXPECT_EQ(json::parse(chosen.said.substr(0, chosen.said.find('\n')))["gain_session"],
            flat.sessions.at(0).name);
  const Ran none = creel({"evaluate", started["session"], "--gain", "none", "--json"});
  EXPECT_TRUE(json::parse(none.said.substr(0, none.said.find('\n')))["gain_session"].is_null());
  const auto [by_even, sigma_even] = ratio(flat);
  const auto [by_moved, sigma_moved] = ratio(record);
  std::printf("L3/L2 with even light %.4f +- %.4f, with a moved spectrum %.4f +- %.4f\n", by_even,
              sigma_even, by_moved, sigma_moved);
  EXPECT_NEAR(by_even, by_moved, 3 * std::hypot(sigma_even, sigma_moved));
}

TEST_F(Calibrations, AreMissedByNameAndNeverOverwritten) {
  const Ran check = creel({"check", scenario("ink-film.series.json")});
  EXPECT_EQ(check.exit, 0);
  EXPECT_NE(check.said.find("calibration energy: missing"), std::string::npos) << check.said;
  EXPECT_NE(check.said.find("calibration dose-rate: missing"), std::string::npos) << check.said;

  // The same session evaluated twice gives two records.
  const Calibration first = take("dark", "ink-film");
  const Ran again = creel({"calibrate", "dark", "--from", first.sessions.front().name});
  EXPECT_EQ(again.exit, 0) << again.said;
  EXPECT_NE(again.said.find("-2.json"), std::string::npos) << again.said;

  // A record that has run out is stale, and says so.
  const Ran old =
      creel({"calibrate", "dark", "--from", first.sessions.front().name, "--valid-h", "1e-9"});
  EXPECT_EQ(old.exit, 0) << old.said;
  EXPECT_NE(creel({"calibrate"}).said.find("stale"), std::string::npos);

  const Ran mixed = creel({"calibrate", "energy", "--from", first.sessions.front().name, "--table",
                           "xraylib", "--feature", "C K", "--feature", "Fe L3 maximum=707.8+-0.2",
                           "--features-from", "another table"});
  EXPECT_NE(mixed.exit, 0);
  EXPECT_NE(mixed.said.find("take all edge energies from one table"), std::string::npos)
      << mixed.said;
}

TEST_F(Calibrations, TypedSettingsAndStandardsComeFromSessions) {
  EXPECT_NE(creel({"settings"}).exit, 0) << "there is no session yet";
  const json started = daemon_.call(
      "series.start", {{"text", read_scenario("ink-trial.series.json")}, {"origin", "trial"}});
  ASSERT_TRUE(started.contains("session")) << started;
  ASSERT_TRUE(until(seconds(120), [&] {
    return !daemon_.call("daemon.status")["series"]["running"].get<bool>();
  }));
  const Ran shown = creel({"settings"});
  EXPECT_EQ(shown.exit, 0) << shown.said;
  EXPECT_NE(shown.said.find("microscope.camera_length_mm"), std::string::npos) << shown.said;

  const std::string out = (scratch_.path() / "tonight.series.json").string();
  const Ran late = creel({"settings", "--out", out, "--yes", "--at-most-h", "0"});
  EXPECT_EQ(late.exit, 4) << late.said;
  EXPECT_NE(late.said.find("too long for --yes"), std::string::npos) << late.said;
  // The trial's dose rate was measured long before it was typed: nobody may just say yes to it.
  const Ran stale = creel({"settings", "--out", out, "--yes"});
  EXPECT_EQ(stale.exit, 4) << stale.said;
  EXPECT_NE(stale.said.find("beam."), std::string::npos) << stale.said;
  const std::string photo = (scratch_.path() / "panel.jpg").string();
  std::ofstream(photo) << "not really a photograph";
  const Ran taken = creel({"settings", "--out", out, "--yes", "--at-most-h", "1000000", "--photo",
                           photo, "--set", "microscope.camera_length_mm=600"});
  EXPECT_EQ(taken.exit, 0) << taken.said;
  EXPECT_NE(taken.said.find("collection_semi_angle_mrad"), std::string::npos)
      << "10 mrad do not go with 3 mm at 600 mm: " << taken.said;
  std::ifstream file(out);
  const json series = json::parse(file);
  EXPECT_EQ(series["microscope"]["camera_length_mm"], 600);

  const std::string spectrum = (scratch_.path() / "oxide.msa").string();
  std::ofstream(spectrum) << "imported\n";
  const Ran bare = creel({"standards", "add", spectrum});
  EXPECT_EQ(bare.exit, 2) << bare.said;
  const Ran added =
      creel({"standards", "add", spectrum, "--name", "oxide", "--element", "Fe", "--state", "3",
             "--known-from", "diffraction", "--fwhm-ev", "1.1", "--expires", "2020-01-01"});
  EXPECT_EQ(added.exit, 0) << added.said;
  const Ran listed = creel({"standards", "list"});
  EXPECT_NE(listed.said.find("oxide"), std::string::npos) << listed.said;
  EXPECT_NE(listed.said.find("EXPIRED"), std::string::npos) << listed.said;
}

}  // namespace
}  // namespace creel::system_test
