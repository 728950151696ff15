// What each calibration is worth to x: whole simulated sessions (a film and two references, frames
// of one row) evaluated twice, once with all known as it is and once with one calibration left out
// or wrong, and what Creel says then. Both evaluations see the same frames, so that their
// difference is the calibration's alone and not noise.
//
//   calibrations [--short] [--sessions N]     N nights a line (default 20; --short: 2 of every
//   third line)
//
// A line: kind | what is wrong | shift of x0, scatter of that over the nights | in quoted errors |
// change of the critical dose | what Creel says. "warned": check, start and evaluate name the
// calibration where it is missing. "evaluation": what the evaluation remarks in half of the nights
// at least and not without the fault.
#include <algorithm>
#include <cctype>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <fstream>
#include <functional>
#include <iterator>
#include <map>
#include <set>
#include <string>
#include <vector>

#include "client/calibrate/needs.h"
#include "daemon/analysis/evaluate.h"
#include "tests/spectra/night.h"

namespace creel::bench {
namespace {

using analysis::BeamProfile;
using analysis::FrameInfo;
using analysis::SessionSpectra;
using spectra::Night;

constexpr double kRows = 64;  // of the camera whose rows these spectra are the sums of
int sessions = 20;

/// Sees a frame before the evaluation does, and may change what is believed of it. False: it was
/// never taken.
using Belief = std::function<bool(FrameInfo&, std::vector<std::uint16_t>&)>;

struct Fault {
  std::string kind, what;
  Belief of_film = {}, of_all = {};
  double dispersion = 1;  ///< believed over true, all sessions
  bool gain = true;       ///< whether the map is used
  BeamProfile world = BeamProfile::flat, believed = BeamProfile::flat;
  std::optional<double> reference_point_spread = {};
  std::string no_input = {};  ///< why x cannot depend on it; nothing is evaluated then
};

bool is_long(const FrameInfo& info) {
  return info.exposure_set_ns > 1'000'000'000;
}

Belief dose_by(double factor) {
  return [factor](FrameInfo& info, auto&) {
    info.dose_before *= factor;
    info.dose_after *= factor;
    return true;
  };
}

/// The current falls evenly to 1 - `fall` of what it was in the course of the night, and is
/// believed to be steady: D = r (t - fall t^2 / 2T), solved for r t.
Belief falling_current(double fall, double whole_dose) {
  return [=](FrameInfo& info, auto&) {
    const auto believed = [=](double dose) {
      const double u = (1 - std::sqrt(1 - 2 * fall * (1 - fall / 2) * dose / whole_dose)) / fall;
      return u * whole_dose / (1 - fall / 2);
    };
    info.dose_before = believed(info.dose_before);
    info.dose_after = believed(info.dose_after);
    return true;
  };
}

Belief axis_by(double ev, bool core_only) {
  return [=](FrameInfo& info, auto&) {
    if (!core_only || info.kind == ExposureKind::specimen) info.first_ev += ev;
    return true;
  };
}

std::vector<Fault> faults() {
  const Night night;
  const double dose = night.exposures * night.exposure_s * 0.02;
  std::vector<Fault> all;
  all.push_back({.kind = "dark",
                 .what = "no darks of the film's exposure time",
                 .of_film = [](FrameInfo& info, auto&) {
                   return info.kind != ExposureKind::dark || !is_long(info);
                 }});
  all.push_back({.kind = "dark",
                 .what = "the film's darks 1 count a pixel of 64 rows too high",
                 .of_film = [](FrameInfo& info, std::vector<std::uint16_t>& pixels) {
                   const auto more = static_cast<std::uint16_t>(kRows);
                   for (std::uint16_t& pixel : pixels) {
                     if (info.kind == ExposureKind::dark && is_long(info)) {
                       pixel = static_cast<std::uint16_t>(pixel + more);
                     }
                   }
                   return true;
                 }});
  all.push_back({.kind = "photon-transfer",
                 .what = "any",
                 .no_input = "the noise comes from the frames themselves"});
  all.push_back({.kind = "gain", .what = "no map", .gain = false});
  all.push_back({.kind = "point-spread",
                 .what = "any, the same for all sessions",
                 .no_input = "what neighbours share comes from the frames themselves"});
  all.push_back({.kind = "point-spread",
                 .what = "references taken with 0.2 to each side instead of 0.1",
                 .reference_point_spread = 0.2});
  all.push_back(
      {.kind = "energy", .what = "dispersion off by 0.2 %, all sessions", .dispersion = 1.002});
  all.push_back(
      {.kind = "energy", .what = "dispersion off by 1 %, all sessions", .dispersion = 1.01});
  all.push_back({.kind = "energy",
                 .what = "first channel off by 0.3 eV, all sessions",
                 .of_all = axis_by(0.3, false)});
  all.push_back({.kind = "energy-offset",
                 .what = "step to core loss off by 0.3 eV, all sessions",
                 .of_all = axis_by(0.3, true)});
  all.push_back({.kind = "energy-offset",
                 .what = "step to core loss off by 0.3 eV, the film alone",
                 .of_film = axis_by(0.3, true)});
  all.push_back({.kind = "shutter",
                 .what = "4 ms more beam in each 0.1 s: 4 % more dose than believed",
                 .of_film = dose_by(1 / 1.04)});
  all.push_back({.kind = "dose-rate", .what = "off by 20 %", .of_film = dose_by(1.2)});
  all.push_back({.kind = "beam-profile",
                 .what = "gaussian, believed flat",
                 .world = BeamProfile::gaussian,
                 .believed = BeamProfile::flat});
  all.push_back({.kind = "beam-profile",
                 .what = "flat, believed gaussian",
                 .world = BeamProfile::flat,
                 .believed = BeamProfile::gaussian});
  all.push_back({.kind = "residual",
                 .what = "0.2 % of the beam for as long again between exposures",
                 .of_film = dose_by(1 / 1.002)});
  all.push_back({.kind = "emission",
                 .what = "current falls by 20 % in the night, believed steady",
                 .of_film = falling_current(0.2, dose)});
  return all;
}

/// What Creel says of a kind that is missing, before and after a night: of the scenario's series,
/// or of the like of it that rests on the kind.
std::string said_of(const std::string& kind) {
  std::ifstream file(std::string(CREEL_SCENARIOS) + "/ink-film.series.json");
  nlohmann::json document = nlohmann::json::parse(file);
  if (kind == "shutter") document["gating"] = {{"by", "shutter"}, {"margin_ms", 10}};
  if (kind == "dark") document["blocks"].erase(0);  // the darks of the film's exposure time
  if (kind == "dark") document["blocks"][1]["interleave"].erase(0);
  const auto series = parse_series(document.dump(), "ink-film");
  if (!series.ok()) return series.error().text;
  const calibrate::Shelf none;
  for (const calibrate::Need& need : calibrate::needs(*series, "rig", none, 0)) {
    if (need.kind == kind) return "warned";
  }
  return "nothing";
}

struct Known {
  double x0 = 0, sigma = 0, critical_dose = 0;
  std::set<std::string> remarks;
};

/// Remarks of different nights are the same but for their numbers.
std::set<std::string> without_numbers(const std::vector<std::string>& remarks) {
  std::set<std::string> made;
  for (std::string one : remarks) {
    for (std::size_t i = 0; i < one.size(); ++i) {
      const auto is_digit = [](char c) { return c >= '0' && c <= '9'; };
      const bool in_a_word = i > 0 && std::isalpha(static_cast<unsigned char>(one[i - 1])) != 0;
      if (!is_digit(one[i]) || in_a_word) continue;
      std::size_t end = i;
      while (end < one.size() && (is_digit(one[end]) || one[end] == '.')) ++end;
      one.replace(i, end - i, "N");
    }
    made.insert(one);
  }
  return made;
}

class Rig {
 public:
  explicit Rig(const Fault& fault) : fault_(fault) {
    laboratory_ = spectra::ink_laboratory();
    if (fault.world == BeamProfile::gaussian) {
      // As much at the middle as the flat beam has: dose is given there.
      laboratory_.source.profile = sim::Profile::gaussian;
      laboratory_.source.electrons_per_pulse *=
          sim::peak_dose_per_electron(spectra::ink_laboratory().source) /
          sim::peak_dose_per_electron(laboratory_.source);
    }
  }

  /// With the fault or without; the reason where the state is withheld.
  Result<Known> night(int seed, bool faulty) const {
    const sim::Camera camera = spectra::ink_camera(1);
    sim::Camera of_references = camera;
    if (faulty && fault_.reference_point_spread) {
      of_references.point_spread = *fault_.reference_point_spread;
    }
    const sim::Sensor sensor(camera, kSensor, 0);
    const sim::Sensor reference_sensor(of_references, kSensor, 0);
    const auto own = static_cast<std::uint64_t>(seed);
    const sim::View film(laboratory_, own, spectra::kDispersion_ev);
    const sim::View low(spectra::end_member(laboratory_, 0, 0.25), 900, spectra::kDispersion_ev);
    const sim::View high(spectra::end_member(laboratory_, 1, 0.40), 901, spectra::kDispersion_ev);
    Night night;
    auto specimen = record(night, film, sensor, faulty, fault_.of_film);
    night.exposures = 100;
    night.begin_s = 20000.0 * seed;
    night.name = "low";
    auto ferrous = record(night, low, reference_sensor, faulty, {});
    night.begin_s += 1e7;
    night.name = "high";
    auto ferric = record(night, high, reference_sensor, faulty, {});
    for (const auto* one : {&specimen, &ferrous, &ferric}) {
      if (!one->ok()) return one->error();
    }
    analysis::EvaluationOptions options;
    options.vary_background = false;
    options.profile = faulty ? fault_.believed : fault_.world;
    const analysis::Reference references[] = {{&*ferrous, 2.0}, {&*ferric, 3.0}};
    const auto made = analysis::evaluate(*specimen, references, options);
    if (!made.ok()) return made.error();
    if (!made->oxidation) return Error{ErrorCode::refused, made->oxidation_withheld};
    return Known{made->oxidation->x0, made->oxidation->sigma_x0, made->oxidation->critical_dose,
                 without_numbers(made->remarks)};
  }

 private:
  static constexpr std::uint64_t kSensor = 5;

  Result<SessionSpectra> record(const Night& night, const sim::View& view,
                                const sim::Sensor& sensor, bool faulty, const Belief& own) const {
    auto setup = spectra::setup_of(night, sensor.camera());
    if (!faulty || fault_.gain) {
      static const auto map = spectra::record_gain(spectra::ink_camera(1), kSensor, 60);
      setup.gain = map;
    }
    if (faulty) setup.dispersion_ev *= fault_.dispersion;
    analysis::SpectraCollector collector(setup);
    std::vector<std::uint16_t> pixels;
    CREEL_TRY(spectra::each_frame(night, view, sensor, [&](FrameInfo info, auto frame) {
      pixels.resize(frame.size() / sizeof(std::uint16_t));
      std::memcpy(pixels.data(), frame.data(), frame.size());
      for (const Belief* belief : {&own, &fault_.of_all}) {
        if (faulty && *belief && !(*belief)(info, pixels)) return Result<void>{};
      }
      return collector.add(info, std::as_bytes(std::span(pixels)));
    }));
    return collector.finish();
  }

  const Fault& fault_;
  sim::Laboratory laboratory_;
};

void measure(const Fault& fault) {
  const auto line = [&](const std::string& numbers, const std::string& says) {
    std::printf("| %s | %s | %s | %s%s |\n", fault.kind.c_str(), fault.what.c_str(),
                numbers.c_str(), said_of(fault.kind).c_str(), says.c_str());
    std::fflush(stdout);
  };
  if (!fault.no_input.empty()) return line("no input | | ", "; " + fault.no_input);
  const Rig rig(fault);
  double shift = 0;
  double squares = 0;
  double in_errors = 0;
  double dose = 0;
  int n = 0;
  int withheld = 0;
  std::string reason;
  std::map<std::string, int> remarks;
  for (int seed = 1; seed <= sessions; ++seed) {
    const auto right = rig.night(seed, false);
    const auto wrong = rig.night(seed, true);
    if (!right.ok()) continue;
    if (!wrong.ok()) {
      ++withheld;
      reason = wrong.error().text;
      continue;
    }
    const double off = wrong->x0 - right->x0;
    ++n;
    shift += off;
    squares += off * off;
    in_errors += off / right->sigma;
    dose += 100 * (wrong->critical_dose / right->critical_dose - 1);
    for (const std::string& remark : wrong->remarks) {
      if (!right->remarks.contains(remark)) ++remarks[remark];
    }
  }
  std::string says = withheld > 0 ? "; evaluation withheld in " + std::to_string(withheld) +
                                        " of " + std::to_string(n + withheld) + ": " + reason
                                  : "";
  for (const auto& [remark, nights] : remarks) {
    if (2 * nights >= n) says += "; evaluation: " + remark;
  }
  if (n == 0) return line("- | - | - ", says);
  char text[128];
  const double mean = shift / n;
  std::snprintf(text, sizeof text, "%+.4f +- %.4f | %+.2f | %+.1f %%", mean,
                std::sqrt(std::max(0.0, squares / n - mean * mean)), in_errors / n, dose / n);
  line(text, says);
}

}  // namespace
}  // namespace creel::bench

int main(int argc, char** argv) {
  std::size_t every = 1;
  for (int i = 1; i < argc; ++i) {
    if (std::strcmp(argv[i], "--short") == 0) {
      creel::bench::sessions = 2;
      every = 3;
    } else if (std::strcmp(argv[i], "--sessions") == 0 && i + 1 < argc) {
      creel::bench::sessions = std::max(1, std::atoi(argv[++i]));
    }
  }
  const auto all = creel::bench::faults();
  std::printf(
      "| calibration | left out or wrong | shift of x0 | in quoted errors | critical dose | Creel "
      "says |\n");
  for (std::size_t i = 0; i < all.size(); i += every) creel::bench::measure(all[i]);
  return 0;
}
