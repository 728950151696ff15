// A rig with a stage and several specimens on its holder, as a series uses it; and what may be
// looked up of it afterwards.
#include <gtest/gtest.h>

#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>
#include <numeric>
#include <sstream>

#include "drivers/simulated/reveal/reveal.h"
#include "rig.h"

namespace {

using namespace creel::testing_rig;
using nlohmann::json;

// A steady beam of 1e6 electrons/s; a film until 100 um, a thick standard from 120 to 140 um.
const std::string kWorld = R"("world": {"laser_drift": 0, "laser_noise": 0, "walk_off": 0,
  "warm_up": 0, "electrons_per_pulse": 1, "residual_fraction": 0, "high_tension_drift_v": 0,
  "specimen": {"film_until_um": 100, "t_over_lambda_least": 0.5, "t_over_lambda_most": 0.5},
  "mounted": [{"name": "thick-standard", "from_um": 120, "until_um": 140,
    "specimen": {"t_over_lambda_least": 2, "t_over_lambda_most": 2, "mass_loss": 0,
                 "valence": [{"energy_ev": 20, "width_ev": 4, "strength": 1}]}}]})";
const std::string kCamera = R"({"name": "camera", "rows": 8, "columns": 256, "dispersion_ev": 1,
  "counting": true, )" + kWorld +
                            "}";
const std::string kStage = "{" + kWorld + "}";

/// Electrons of a frame: within 5 eV of the zero loss, and in all.
struct Seen {
  double zero_loss, all;
};
Seen seen(const std::vector<std::uint16_t>& frame) {
  Seen seen{0, 0};
  for (std::size_t i = 0; i < frame.size(); ++i) {
    seen.all += frame[i];
    seen.zero_loss += i % 256 >= 19 && i % 256 < 29 ? frame[i] : 0;
  }
  return seen;
}

TEST(Stage, MovesTheBeamFromFilmToStandardToVacuumWhileTimePasses) {
  Rig rig;
  Device shutter(rig, CREEL_KIND_SHUTTER, R"({"shutter": "beam", )" + kWorld + "}");
  Device camera(rig, CREEL_KIND_DETECTOR, kCamera);
  Device stage(rig, CREEL_KIND_STAGE, kStage);
  ASSERT_EQ(stage.result, 0);
  const auto look = [&] {
    shutter.open();
    const Seen found = seen(camera.take(100 * kMillisecond));
    shutter.close();
    return found;
  };
  const Seen film = look();
  // P0 = e^-t/lambda of those that stay in the aperture (Egerton 2011, sec. 3.4), 1e5 electrons.
  EXPECT_NEAR(film.zero_loss, 1e5 * std::exp(-0.5 - 0.15 * 0.5), 3e3);
  const std::int64_t before = rig.now;
  ASSERT_EQ(stage.offer->stage->move(stage.device, 0, 130.0), 0);
  EXPECT_EQ(rig.now - before, 650 * kMillisecond);  // 130 um at 200 um/s
  EXPECT_NEAR(look().zero_loss, 1e5 * std::exp(-2 - 0.15 * 2), 1e3);
  ASSERT_EQ(stage.offer->device->set(stage.device, "x_um", "150.0"), 0);
  const Seen vacuum = look();
  EXPECT_NEAR(vacuum.zero_loss, 1e5, 2e3);
  EXPECT_NEAR(vacuum.all, 1e5, 2e3);
  // y moves within what lies at x.
  ASSERT_EQ(stage.offer->stage->move(stage.device, 1, -20.0), 0);
  ASSERT_EQ(stage.offer->stage->move(stage.device, 0, 130.0), 0);
  EXPECT_NEAR(look().zero_loss, 1e5 * std::exp(-2 - 0.15 * 2), 1e3);
}

TEST(Stage, DescribesAxesInMicrometresAndTheirRange) {
  Rig rig;
  Device stage(rig, CREEL_KIND_STAGE, kStage);
  const json described = json::parse(stage.offer->device->describe(stage.device));
  for (int i = 0; i < 2; ++i) {
    const json axis = described.at("axes").at(i);
    EXPECT_EQ(axis.at("name"), i == 0 ? "x" : "y");
    EXPECT_EQ(axis.at("unit"), "um");
    EXPECT_EQ(axis.at("min"), -650.0);
    EXPECT_EQ(axis.at("max"), 650.0);
  }
  EXPECT_EQ(stage.offer->stage->move(stage.device, 0, 651.0), CREEL_E_INVALID);
}

TEST(Illumination, IsASettingThatSpreadsTheBeamEvenly) {
  Rig rig;
  Device shutter(rig, CREEL_KIND_SHUTTER, R"({"shutter": "beam", )" + kWorld + "}");
  Device camera(rig, CREEL_KIND_DETECTOR, kCamera);
  Device stage(rig, CREEL_KIND_STAGE, kStage);
  ASSERT_EQ(stage.offer->stage->move(stage.device, 0, 150.0), 0);
  const json described = json::parse(camera.offer->device->describe(camera.device));
  EXPECT_EQ(described.at("settings").at("illumination").at("allowed"),
            json::array({"spectrum", "even"}));
  shutter.open();
  const Seen spectrum = seen(camera.take(100 * kMillisecond));
  ASSERT_EQ(camera.offer->device->set(camera.device, "illumination", "\"even\""), 0);
  EXPECT_EQ(json::parse(camera.offer->device->settings(camera.device)).at("illumination"), "even");
  const auto frame = camera.take(100 * kMillisecond);
  const Seen even = seen(frame);
  EXPECT_NEAR(even.all, spectrum.all, 2e3);
  EXPECT_NEAR(even.zero_loss, 1e5 * 10 / 256, 500);
  for (std::ptrdiff_t row = 0; row < 8; ++row) {
    const double sum =
        std::accumulate(frame.begin() + row * 256, frame.begin() + (row + 1) * 256, 0.0);
    EXPECT_NEAR(sum, 1e5 / 8, 5 * std::sqrt(1e5 / 8)) << row;
  }
  EXPECT_EQ(camera.offer->device->set(camera.device, "illumination", "\"bright\""),
            CREEL_E_INVALID);
  const std::string fault = camera.offer->device->last_error(camera.device);
  EXPECT_NE(fault.find("bright"), std::string::npos);
  EXPECT_NE(fault.find("even"), std::string::npos);
  ASSERT_EQ(camera.offer->device->set(camera.device, "illumination", "\"spectrum\""), 0);
  EXPECT_NEAR(seen(camera.take(100 * kMillisecond)).zero_loss, 1e5, 2e3);
}

/// The sentence with which a world with this "mounted" is refused.
std::string refusal(const std::string& mounted) {
  Rig rig;
  const Device gauge(
      rig, CREEL_KIND_GAUGE,
      R"({"world": {"specimen": {"film_until_um": 100}, "mounted": )" + mounted + "}}");
  EXPECT_EQ(gauge.result, CREEL_E_INVALID) << mounted;
  return gauge.offer->device->last_error(nullptr);
}

TEST(Mounted, PlacesThatContradictOneAnotherAreRefusedByName) {
  const auto says = [](const std::string& mounted, const char* word) {
    const std::string sentence = refusal(mounted);
    EXPECT_NE(sentence.find(word), std::string::npos) << sentence;
    EXPECT_EQ(sentence.find('\n'), std::string::npos) << sentence;
  };
  says(R"([{"name": "a", "from_um": 120, "until_um": 140},
           {"name": "b", "from_um": 140, "until_um": 150}])",
       "\"b\" overlaps \"a\"");
  says(R"([{"name": "a", "from_um": 100, "until_um": 140}])", "\"a\" lies on the film");
  says(R"([{"name": "a", "from_um": 140, "until_um": 120}])", "\"a\" ends before it begins");
  says(R"([{"name": "film", "from_um": 120, "until_um": 140}])", "no name for it");
  says(R"([{"name": "a", "from_um": 120, "until_um": 140},
           {"name": "a", "from_um": 150, "until_um": 160}])",
       "\"a\" is there twice");
  says(R"([{"name": "a", "from_um": 120, "until_um": 140, "specimen": {"iron": 3}}])",
       "world.mounted[0].specimen.iron is not known");
  says(R"([{"name": "a", "from_um": 120, "until_um": 140, "specimen": {"valence": []}}])",
       "valence");
  says(R"({"name": "a"})", "a list of JSON objects");
}

std::string file(const std::string& name) {
  const char* source = std::getenv("CREEL_SOURCE");
  EXPECT_NE(source, nullptr) << "run through ctest, or set CREEL_SOURCE to the source folder";
  std::ifstream stream(std::string(source == nullptr ? "." : source) + "/sim/scenarios/" + name);
  std::ostringstream text;
  text << stream.rdbuf();
  return text.str();
}

const std::string kSeries =
    R"({"name": "three places", "devices": {"detector": "camera"}, "areas": [
  {"grid": "g", "name": "film"}, {"grid": "g", "name": "two", "position": {"x": 540, "y": 3}},
  {"grid": "g", "name": "three", "position": {"x": 600}},
  {"grid": "g", "name": "nothing", "position": {"x": 570}}]})";

TEST(Reveal, TellsWhatLiesAtEachAreaOfTheSeries) {
  const auto revealed = creel::simulated::reveal(file("ink-lab.rig.json"), kSeries);
  ASSERT_TRUE(revealed.ok()) << revealed.error().text;
  ASSERT_EQ(revealed->areas.size(), 4u);
  EXPECT_EQ(revealed->seed, 20260314u);
  const auto& film = revealed->areas[0];
  ASSERT_TRUE(film.hidden.has_value());
  EXPECT_EQ(film.area, "g/film");
  EXPECT_EQ(film.hidden->specimen, "film");
  EXPECT_GE(film.hidden->fe3_fraction, 0.55);
  EXPECT_LE(film.hidden->fe3_fraction, 0.95);
  EXPECT_EQ(revealed->areas[1].hidden.value().specimen, "fe2-standard");
  EXPECT_EQ(revealed->areas[1].hidden->fe3_fraction, 0);
  EXPECT_EQ(revealed->areas[1].hidden->t_over_lambda, 0.25);
  EXPECT_EQ(revealed->areas[2].hidden.value().fe3_fraction, 1);
  EXPECT_FALSE(revealed->areas[3].hidden.has_value());
  const json told = creel::simulated::json_of(*revealed);
  EXPECT_EQ(told.at("areas").at(3).at("specimen"), nullptr);
  EXPECT_EQ(told.at("areas").at(1).at("position_um").at("y"), 3.0);
  const std::string text = creel::simulated::text_of(*revealed);
  EXPECT_EQ(text.find("For training"), 0u);
  EXPECT_NE(text.find("vacuum"), std::string::npos);
}

// The truth that is revealed is the one that the spectra were made of: the zero loss says how thick
// the film is.
TEST(Reveal, IsTheTruthThatTheDetectorSaw) {
  const json rig_document = json::parse(file("ink-lab-real-time.rig.json"));
  json config = rig_document.at("devices").at(0).at("config");
  config["world"]["residual_fraction"] = 0;
  config["counting"] = true;
  const std::uint64_t seed = rig_document.at("seed");
  Rig rig(seed);
  Device shutter(rig, CREEL_KIND_SHUTTER, json{{"world", config.at("world")}}.dump());
  Device camera(rig, CREEL_KIND_DETECTOR, config.dump());
  ASSERT_EQ(camera.result, 0) << camera.offer->device->last_error(nullptr);
  shutter.open();
  const auto frame = camera.take(10 * kMillisecond);
  double zero_loss = 0;
  double all = 0;
  for (std::size_t i = 0; i < frame.size(); ++i) {
    const double loss = -24 + 0.5 * (static_cast<double>(i % 2048) + 0.5);
    zero_loss += std::fabs(loss) < 3 ? frame[i] : 0;
    all += frame[i];
  }
  const auto revealed = creel::simulated::reveal(file("ink-lab-real-time.rig.json"), kSeries);
  ASSERT_TRUE(revealed.ok());
  // ln(It/I0), and a hundredth from inner shells.
  EXPECT_NEAR(std::log(all / zero_loss), revealed->areas[0].hidden.value().t_over_lambda + 0.01,
              0.03);
}

TEST(Reveal, RefusesFramesThatNoSimulatedDetectorMade) {
  const auto real = creel::simulated::reveal(file("network-camera.rig.json"), kSeries);
  ASSERT_FALSE(real.ok());
  EXPECT_EQ(real.error().code, creel::ErrorCode::refused);
  EXPECT_NE(real.error().text.find("genicam"), std::string::npos);
  json rig = json::parse(file("ink-lab.rig.json"));
  rig["devices"][0]["driver"] = "replay";
  rig["devices"][0]["config"] = json::object();
  const auto replayed = creel::simulated::reveal(rig.dump(), kSeries);
  ASSERT_FALSE(replayed.ok());
  EXPECT_NE(replayed.error().text.find("reveal that one"), std::string::npos);
  EXPECT_FALSE(creel::simulated::reveal("{", kSeries).ok());
  EXPECT_FALSE(creel::simulated::reveal(file("ink-lab.rig.json"), "[]").ok());
  EXPECT_FALSE(creel::simulated::reveal(file("ink-lab.rig.json"), "{}").ok());
}

// The documents say when the laser drops out; a person plans by it.
TEST(InkLab, LaserDropsOutOnceInTwentyFiveMinutesAndWhenTheRigSays) {
  const json document = json::parse(file("ink-lab.rig.json"));
  const std::string config =
      json{{"gauge", "laser_power"}, {"world", document.at("common").at("simulated").at("world")}}
          .dump();
  Rig rig(document.at("seed").get<std::uint64_t>());
  Device gauge(rig, CREEL_KIND_GAUGE, config);
  ASSERT_EQ(gauge.result, 0);
  std::vector<double> out_s;
  for (std::int64_t s = 0; s < 1500; ++s) {
    rig.now = s * 1000 * kMillisecond;
    creel_reading reading{};
    ASSERT_EQ(gauge.offer->gauge->read(gauge.device, &reading, 1), 1);
    if (reading.value < 10) {
      out_s.push_back(static_cast<double>(s));
    }
  }
  ASSERT_EQ(out_s.size(), 20u);
  EXPECT_EQ(out_s.front(), 19 * 60 + 23);
  EXPECT_EQ(out_s.back(), 19 * 60 + 42);
  EXPECT_NE(document.at("notes").get<std::string>().find("19 min 23 s"), std::string::npos);
}

}  // namespace
