// How good and how fast the answer is: efficiency against the bound of Cramer and Rao, the dose
// that each method needs, the bias at zero dose, and the time of a fit beside general-purpose
// libraries. Lines: name, value, ratio to the limit that follows "of". `--short` draws a tenth as
// often. Nothing here can fail because a machine is slow.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstring>
#include <ctime>
#include <functional>
#include <string>
#include <vector>

#include "daemon/analysis/component_fit.h"
#include "daemon/analysis/evaluate.h"
#include "daemon/analysis/running_ratio.h"
#include "daemon/analysis/white_lines.h"
#include "tests/bench/answer/other_fits.h"
#include "tests/spectra/ink_spectra.h"
#include "tests/spectra/night.h"

namespace creel::bench {
namespace {

using analysis::ComponentData;
using analysis::DamageLaw;
using spectra::InkSpectra;
using spectra::Scene;
using Row = std::vector<double>;

int draws = 1000;
double measured_s = 1;

struct Moments {
  double n = 0, sum = 0, squares = 0;
  void add(double value) {
    n += 1;
    sum += value;
    squares += value * value;
  }
  [[nodiscard]] double mean() const { return sum / n; }
  [[nodiscard]] double sigma() const { return std::sqrt(squares / n - mean() * mean()); }
};

void print(const std::string& name, double value, const char* unit, double ratio, const char* of) {
  std::printf("%-52s %12.5g %-10s %8.3f  of %s\n", name.c_str(), value, unit, ratio, of);
}

/// x of the summed spectrum by the two-step ratio L3/L2, end members exact.
class TwoStepRatio {
 public:
  explicit TwoStepRatio(const InkSpectra& ink) : grid_(ink.grid()), windows_(ink.windows()) {
    u_ = analysis::white_line_functionals(windows_, grid_);
  }
  [[nodiscard]] double operator()(const ComponentData& data) const {
    Row sum(grid_.channels, 0.0);
    for (const auto& group : data.groups) {
      std::transform(sum.begin(), sum.end(), group.counts.begin(), sum.begin(), std::plus<>());
    }
    const auto background = analysis::fit_background(sum, grid_, windows_.background);
    if (!background) {
      return std::nan("");
    }
    const Row under = background->on(grid_);
    for (std::size_t c = 0; c < sum.size(); ++c) {
      sum[c] -= under[c];
    }
    const auto [n3, n2] = lines(sum);
    const auto [a3, a2] = lines(data.low.edge);
    const auto [b3, b2] = lines(data.high.edge);
    const double q = n3 / n2;
    return (a3 - q * a2) / ((a3 - q * a2) - (b3 - q * b2));
  }

 private:
  [[nodiscard]] std::pair<double, double> lines(const Row& edge) const {
    double l3 = 0;
    double l2 = 0;
    for (std::size_t c = 0; c < edge.size(); ++c) {
      l3 += (u_[analysis::kL3Low][c] + u_[analysis::kL3High][c]) * edge[c];
      l2 += u_[analysis::kL2][c] * edge[c];
    }
    return {l3, l2};
  }
  analysis::Grid grid_;
  analysis::WhiteLineWindows windows_;
  std::array<Row, analysis::kQuantities> u_;
};

void efficiency(const InkSpectra& ink) {
  std::printf(
      "\n# efficiency of x0: variance of the bound over that of %d drawn sessions, ten dose "
      "groups\n",
      draws);
  for (const double reference : {0.0, 3.0}) {
    for (const double electrons : {3e8, 1e9, 1e10, 1e11, 1e12}) {
      Scene scene;
      scene.electrons = electrons;
      scene.reference_electrons = reference * electrons;
      const double bound = ink.bound(scene);
      sim::Random random(1);
      Moments seen;
      Moments quoted;
      int refused = 0;
      for (int i = 0; i < draws; ++i) {
        const auto fit = analysis::fit_components(ink.draw(scene, random));
        if (!fit) {
          ++refused;
          continue;
        }
        seen.add(fit->value[analysis::kX0]);
        quoted.add(fit->sigma(analysis::kX0));
      }
      char name[120];
      std::snprintf(name, sizeof name, "sigma(x0), %.0e electrons, end members %s", electrons,
                    reference > 0 ? "of 3 times" : "exact");
      print(name, seen.sigma(), "", std::pow(bound / seen.sigma(), 2), "the Cramer-Rao bound");
      std::printf("%-52s %12.5f            quoted %.4f, refused %d\n", "    bias",
                  seen.mean() - scene.x0, quoted.mean(), refused);
    }
  }
}

/// Electrons at which an error of 0.05 is reached: errors go with the root of the electrons.
void dose_saved(const InkSpectra& ink) {
  std::printf("\n# electrons for sigma(x) = 0.05, no damage, end members exact\n");
  const TwoStepRatio two_steps(ink);
  Scene scene;
  scene.dose = 0;
  scene.groups = 1;
  const auto needed = [&](double electrons, const std::function<double(const ComponentData&)>& x) {
    scene.electrons = electrons;
    sim::Random random(2);
    Moments seen;
    for (int i = 0; i < draws; ++i) {
      seen.add(x(ink.draw(scene, random)));
    }
    return electrons * std::pow(seen.sigma() / 0.05, 2);
  };
  const double fit = needed(1e10, [](const ComponentData& data) {
    const auto made = analysis::fit_components(data);
    return made ? made->value[analysis::kX0] : std::nan("");
  });
  const double ratio = needed(2e12, two_steps);
  scene.electrons = 1e10;
  const double bound = 1e10 * std::pow(ink.bound(scene) / 0.05, 2);
  print("component fit", fit, "electrons", fit / bound, "the Cramer-Rao bound's");
  print("two-step ratio L3/L2", ratio, "electrons", ratio / fit, "the component fit's");
}

void zero_dose_bias(const InkSpectra& ink) {
  std::printf("\n# bias at zero dose (limit 0.02 where the plain sum is off by more than 0.1)\n");
  for (const double dose : {10.0, 25.0, 50.0, 100.0}) {
    Scene scene;
    scene.electrons = 1e11;
    scene.dose = dose;
    sim::Random random(3);
    Moments joint;
    Moments plain;
    for (int i = 0; i < draws; ++i) {
      ComponentData data = ink.draw(scene, random);
      const auto fit = analysis::fit_components(data);
      data.law = DamageLaw::none;
      const auto sum = analysis::fit_components(data);
      if (fit && sum) {
        joint.add(fit->value[analysis::kX0] - scene.x0);
        plain.add(sum->value[analysis::kX0] - scene.x0);
      }
    }
    char name[120];
    std::snprintf(name, sizeof name, "bias of x0, dose %.1f critical doses",
                  dose / scene.critical_dose);
    print(name, joint.mean(), "", joint.mean() / plain.mean(), "the plain sum's");
    std::printf("%-52s %12.4f\n", "    bias of the plain sum", plain.mean());
  }
}

double seconds_of(const std::function<void()>& job) {
  job();
  int calls = 0;
  double spent = 0;
  const std::clock_t begin = std::clock();
  do {
    job();
    ++calls;
    spent = static_cast<double>(std::clock() - begin) / CLOCKS_PER_SEC;
  } while (spent < measured_s);
  return spent / calls;
}

void speed() {
  std::printf("\n# time, one core\n");
  const InkSpectra fine(0.4, 0.08);  // 2048 channels and more over the edge
  Scene scene;
  scene.groups = 1;
  scene.dose = 0;
  scene.electrons = 1e11;
  sim::Random random(4);
  const ComponentData one = fine.draw(scene, random);
  double x = 0;
  const double fit = seconds_of([&] {
    const auto background =
        analysis::fit_background(one.groups.front().counts, one.grid, one.before_edge);
    const auto made = analysis::fit_components(one);
    x = made && background ? made->value[analysis::kX0] : std::nan("");
  });
  std::printf("%-52s %12zu channels, x %.5f\n", "one spectrum", one.grid.channels, x);
  print("background and component fit", 1e3 * fit, "ms", 1, "itself");
  const int repeats = std::max(3, draws / 20);
  if (const auto other = ceres_fit(one, repeats)) {
    print("Ceres, automatic derivatives", 1e3 * other->seconds, "ms", other->seconds / fit, "ours");
    std::printf("%-52s %12.2g\n", "    difference of x", other->x - x);
  } else {
    std::printf("Ceres is not installed (libceres-dev): not compared\n");
  }
  if (const auto other = scipy_fit(one, std::max(3, repeats / 5))) {
    print("scipy least_squares", 1e3 * other->seconds, "ms", other->seconds / fit, "ours");
    std::printf("%-52s %12.2g\n", "    difference of x", other->x - x);
  } else {
    std::printf("scipy is not installed (python3-scipy): not compared\n");
  }
  const InkSpectra ink;
  scene = Scene{};
  scene.electrons = 1e11;
  ComponentData ten = ink.draw(scene, random);
  const auto joint = [&] {
    return seconds_of([&] { x = analysis::fit_components(ten)->value[analysis::kX0]; });
  };
  const double plain = joint();
  print("ten dose groups, 400 channels", 1e3 * plain, "ms", plain / fit, "one spectrum of 2048");
  ten.shift_covariance_ev2.assign(scene.groups * scene.groups, 0.0);
  for (std::size_t k = 0; k < scene.groups; ++k) {
    ten.shift_covariance_ev2[k * (scene.groups + 1)] = 0.01;
  }
  const double shifted = joint();
  print("    with a shift of each", 1e3 * shifted, "ms", shifted / plain, "without");
  ten.darks.assign(1, std::vector<double>(ten.grid.channels, 100.0));
  for (auto& group : ten.groups) {
    group.darks_taken = 10;
  }
  const double shared = joint();
  print("    and a dark that all share", 1e3 * shared, "ms", shared / plain, "without");
  scene.reference_electrons = 1e12;
  ComponentData noisy = ink.draw(scene, random);
  noisy.shift_covariance_ev2 = ten.shift_covariance_ev2;
  noisy.darks = ten.darks;
  for (auto& group : noisy.groups) {
    group.darks_taken = 10;
  }
  ten = std::move(noisy);
  const double everything = joint();
  print("    and end members with noise", 1e3 * everything, "ms", everything / plain, "without");
}

/// A trial night's frames in memory: 2048 x 1, u16.
struct Recorded {
  analysis::SpectraCollector::Setup setup;
  std::vector<std::pair<analysis::FrameInfo, std::vector<std::byte>>> frames;
};
Recorded recorded(const sim::View& view, const sim::Sensor& sensor, std::uint32_t exposures) {
  spectra::Night night;
  night.exposures = exposures;
  Recorded made{spectra::setup_of(night, sensor.camera()), {}};
  const auto done = spectra::each_frame(
      night, view, sensor, [&](const analysis::FrameInfo& info, std::span<const std::byte> frame) {
        made.frames.emplace_back(info, std::vector<std::byte>(frame.begin(), frame.end()));
        return Result<void>();
      });
  if (!done) {
    std::printf("no frames: %s\n", done.error().text.c_str());
  }
  return made;
}

/// Whole sessions and the estimate while one runs.
void sessions() {
  std::printf("\n# sessions, one core\n");
  const auto laboratory = spectra::ink_laboratory();
  const sim::Sensor sensor(spectra::ink_camera(1), 5, 0);
  const sim::View film(laboratory, 1, spectra::kDispersion_ev);
  const sim::View low(spectra::end_member(laboratory, 0, 0.25), 2, spectra::kDispersion_ev);
  const sim::View high(spectra::end_member(laboratory, 1, 0.40), 3, spectra::kDispersion_ev);
  const auto spectra_of = [&](const sim::View& view) {
    const Recorded one = recorded(view, sensor, 50);
    analysis::SpectraCollector collector(one.setup);
    for (const auto& [info, frame] : one.frames) {
      std::ignore = collector.add(info, frame);
    }
    return collector.finish();
  };
  const auto of_low = spectra_of(low);
  const auto of_high = spectra_of(high);
  const Recorded night = recorded(film, sensor, 120);
  if (!of_low || !of_high) {
    return;
  }
  const std::size_t wanted = measured_s < 1 ? 500 : 10'000;
  const std::clock_t begin = std::clock();
  analysis::SpectraCollector collector(night.setup);
  std::size_t taken = 0;
  // The same frames again and again, each time later and at a higher dose.
  for (double round = 0; taken < wanted; ++round) {
    for (const auto& [info, frame] : night.frames) {
      analysis::FrameInfo later = info;
      later.middle_s += 5000 * round;
      later.dose_before += 0.01 * round;
      later.dose_after += 0.01 * round;
      taken += collector.add(later, frame) ? 1 : 0;
    }
  }
  const double collected = static_cast<double>(std::clock() - begin) / CLOCKS_PER_SEC;
  const auto made = collector.finish();
  double x = std::nan("");
  const std::clock_t evaluating = std::clock();
  if (made) {
    analysis::EvaluationOptions options;
    options.vary_background = false;
    const analysis::Reference references[] = {{&*of_low, 2.0}, {&*of_high, 3.0}};
    const auto answer = analysis::evaluate(*made, references, options);
    x = answer && answer->oxidation ? answer->oxidation->x0 : std::nan("");
  }
  const double evaluated = static_cast<double>(std::clock() - evaluating) / CLOCKS_PER_SEC;
  const auto n = static_cast<double>(taken);
  print("session of 10 000 spectra: frames", n / collected, "spectra/s", n / collected / 1000,
        "1000 spectra/s");
  print("    and its evaluation", 1e3 * evaluated, "ms", evaluated / collected, "its frames'");
  std::printf("%-52s %12.4f  (%zu frames)\n", "    x0", x, taken);

  analysis::RunningRatio running(night.setup, "Fe");
  std::size_t at = 0;
  const double live = seconds_of([&] {
    const auto& [info, frame] = night.frames[at++ % night.frames.size()];
    std::ignore = running.add(info, frame);
  });
  print("running estimate, a frame", 1 / live, "spectra/s", 1 / live / 1000, "1000 spectra/s");
  const double looked = seconds_of([&] { std::ignore = running.current(); });
  print("running estimate, a look", 1e3 * looked, "ms", looked / live, "a frame");
}

}  // namespace
}  // namespace creel::bench

int main(int argc, char** argv) {
  if (argc > 1 && std::strcmp(argv[1], "--short") == 0) {
    creel::bench::draws = 20;
    creel::bench::measured_s = 0.05;
  }
  const creel::spectra::InkSpectra ink;
  creel::bench::efficiency(ink);
  creel::bench::dose_saved(ink);
  creel::bench::zero_dose_bias(ink);
  creel::bench::speed();
  creel::bench::sessions();
  return 0;
}
