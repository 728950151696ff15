// Does the quoted error bar hold? Whole sessions of simulated frames (one row, spikes, drift,
// damage, gain map, darks) through the whole evaluation, and how often the true x0 lies within one
// and within two (1.96) quoted standard deviations: 68.3 % and 95 %. Also with references that do
// not match the specimen: what is lost there is shown, not hidden.
//
//   coverage [--short] [--sessions N] [--kind TEXT]     N of each kind whose name has TEXT in it
//   (default 200 of all; --short: 2 of every fifth kind)
//
// Limits: binomial, 99.7 % for the whole family of lines (C. E. Bonferroni, 1936).
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <functional>
#include <string>
#include <vector>

#include "daemon/analysis/evaluate.h"
#include "tests/spectra/night.h"

namespace creel::bench {
namespace {

using analysis::Evaluation;
using analysis::FrameInfo;
using analysis::SessionSpectra;
using spectra::Night;

int sessions = 200;

enum class Stop : std::uint8_t { none, precision, damage };

/// One line of the table.
struct Kind {
  std::string name;
  bool matched = true;  ///< false: the references are wrong on purpose
  std::function<void(sim::Laboratory&)> laboratory = [](sim::Laboratory&) {};
  std::function<void(sim::Camera&)> camera = [](sim::Camera&) {};
  std::function<void(Night&)> night = [](Night&) {};
  std::uint32_t reference_exposures = 100;
  std::function<void(sim::Laboratory&)> reference = [](sim::Laboratory&) {};
  std::function<void(Night&)> reference_night = [](Night&) {};
  double impure = 0;  ///< part of the other state in each end member
  Stop stop = Stop::none;
  double axis_error_ev = 0;  ///< what the evaluation is told
};

std::vector<Kind> kinds() {
  std::vector<Kind> all;
  all.push_back({.name = "as the trial night"});
  all.push_back({.name = "few counts: 20 exposures", .night = [](Night& n) { n.exposures = 20; }});
  all.push_back({.name = "many counts: 480 exposures",
                 .night = [](Night& n) { n.exposures = 480; },
                 .reference_exposures = 200});
  all.push_back({.name = "thin, t/lambda 0.1", .laboratory = [](sim::Laboratory& l) {
                   l.specimen.t_over_lambda = {0.1, 0.1};
                 }});
  all.push_back({.name = "thick, t/lambda 1.2", .laboratory = [](sim::Laboratory& l) {
                   l.specimen.t_over_lambda = {1.2, 1.2};
                 }});
  all.push_back({.name = "high tension drifts by 1.5 V",
                 .laboratory = [](sim::Laboratory& l) { l.source.high_tension_drift_v = 1.5; }});
  all.push_back({.name = "ten times the X-ray spikes",
                 .camera = [](sim::Camera& c) { c.spikes_per_s = 0.2; }});
  all.push_back({.name = "quick damage, critical dose 5", .laboratory = [](sim::Laboratory& l) {
                   l.specimen.critical_dose = {5, 5};
                 }});
  all.push_back({.name = "stopped when the error reaches 0.06", .stop = Stop::precision});
  all.push_back({.name = "stopped when damage is told", .stop = Stop::damage});
  all.push_back({.name = "references of 15 exposures", .reference_exposures = 15});
  all.push_back({.name = "references' zero loss 0.6 eV instead of 0.8",
                 .reference = [](sim::Laboratory& l) { l.source.zero_loss_fwhm_ev = 0.6; }});
  all.push_back({.name = "axis error of 0.1 eV told, references 0.1 eV off",
                 .reference_night = [](Night& n) { n.axis_error_ev = 0.1; },
                 .axis_error_ev = 0.1});
  // Sensors whose pixels share electrons or not, of one row and of several.
  const auto spread = [](std::uint32_t rows, double part) {
    return [rows, part](sim::Camera& camera) {
      camera = spectra::ink_camera(rows);
      camera.point_spread = part;
    };
  };
  all.push_back({.name = "point spread: none", .camera = spread(1, 0)});
  all.push_back({.name = "point spread: a quarter to each side", .camera = spread(1, 0.25)});
  all.push_back({.name = "point spread: none, eight rows", .camera = spread(8, 0)});
  all.push_back({.name = "point spread: a quarter, eight rows", .camera = spread(8, 0.25)});
  // From here on the references are wrong.
  all.push_back({.name = "references 0.3 eV off, not told",
                 .matched = false,
                 .reference_night = [](Night& n) { n.axis_error_ev = 0.3; }});
  all.push_back({.name = "references' zero loss 1.1 eV instead of 0.8",
                 .matched = false,
                 .reference = [](sim::Laboratory& l) { l.source.zero_loss_fwhm_ev = 1.1; }});
  all.push_back({.name = "references of other coordination (4 neighbours, specimen 6)",
                 .matched = false,
                 .reference = [](sim::Laboratory& l) {
                   l.specimen.coordination = sim::Coordination::tetrahedral;
                 }});
  all.push_back(
      {.name = "references with 5 % of the other state", .matched = false, .impure = 0.05});
  return all;
}

class Rig {
 public:
  explicit Rig(const Kind& kind)
      : kind_(kind),
        laboratory_(changed(spectra::ink_laboratory(), kind.laboratory)),
        camera_(changed(spectra::ink_camera(1), kind.camera)),
        sensor_(camera_, 5, 0),
        gain_(spectra::record_gain(camera_, 5, 60)),
        low_(member(kind.impure, 0.25), 900, spectra::kDispersion_ev),
        high_(member(1 - kind.impure, 0.40), 901, spectra::kDispersion_ev) {}

  struct Answer {
    double off = 0, sigma = 0;
  };
  /// Nothing: withheld.
  std::optional<Answer> session(int seed) const {
    const sim::View view(laboratory_, static_cast<std::uint64_t>(seed), spectra::kDispersion_ev);
    Night night;
    kind_.night(night);
    Night reference = night;
    reference.begin_s = 20000.0 * seed;
    reference.exposures = kind_.reference_exposures;
    kind_.reference_night(reference);
    const auto low = spectra::record(reference, low_, sensor_, gain_);
    reference.begin_s += 1e7;
    const auto high = spectra::record(reference, high_, sensor_, gain_);
    if (!low || !high) {
      return std::nullopt;
    }
    const auto specimen = recorded(night, view, *low, *high);
    if (!specimen) {
      return std::nullopt;
    }
    const auto made = evaluated(*specimen, *low, *high);
    if (!made || !made->oxidation) {
      return std::nullopt;
    }
    return Answer{made->oxidation->x0 - view.truth().fe3_fraction, made->oxidation->sigma_x0};
  }

 private:
  template <class Thing>
  static Thing changed(Thing thing, const std::function<void(Thing&)>& change) {
    change(thing);
    return thing;
  }
  [[nodiscard]] sim::Laboratory member(double fe3, double t_over_lambda) const {
    return changed(spectra::end_member(spectra::ink_laboratory(), fe3, t_over_lambda),
                   kind_.reference);
  }
  [[nodiscard]] Result<Evaluation> evaluated(const SessionSpectra& specimen,
                                             const SessionSpectra& low,
                                             const SessionSpectra& high) const {
    analysis::EvaluationOptions options;
    options.vary_background = false;
    options.axis_error_ev = kind_.axis_error_ev;
    const analysis::Reference references[] = {{&low, 2.0}, {&high, 3.0}};
    return analysis::evaluate(specimen, references, options);
  }
  /// The frames in order; a stopping rule looks at the data every ten exposures, as a guard would,
  /// and so selects on them.
  [[nodiscard]] std::optional<SessionSpectra> recorded(const Night& night, const sim::View& view,
                                                       const SessionSpectra& low,
                                                       const SessionSpectra& high) const {
    auto setup = spectra::setup_of(night, camera_);
    setup.gain = gain_;
    analysis::SpectraCollector collector(setup);
    std::uint64_t exposures = 0;
    bool stopped = false;
    const auto done = spectra::each_frame(
        night, view, sensor_, [&](const FrameInfo& info, auto frame) -> Result<void> {
          const bool dark = info.kind == ExposureKind::dark;
          if (stopped && !dark) {  // the darks at the end are still taken
            return {};
          }
          CREEL_TRY(collector.add(info, frame));
          exposures += info.kind == ExposureKind::specimen ? 1 : 0;
          if (kind_.stop != Stop::none && info.kind == ExposureKind::specimen && exposures >= 20 &&
              exposures % 10 == 0) {
            const auto now = collector.snapshot();
            const auto made = now ? evaluated(*now, low, high) : Result<Evaluation>(now.error());
            stopped = made && made->oxidation &&
                      (kind_.stop == Stop::precision ? made->oxidation->sigma_x0 < 0.06
                                                     : made->oxidation->damage_told);
          }
          return {};
        });
    if (!done) {
      return std::nullopt;
    }
    auto made = collector.finish();
    return made ? std::optional(std::move(*made)) : std::nullopt;
  }

  const Kind& kind_;
  sim::Laboratory laboratory_;
  sim::Camera camera_;
  sim::Sensor sensor_;
  std::shared_ptr<const analysis::GainMap> gain_;
  sim::View low_, high_;
};

void measure(const Kind& kind, double z) {
  const Rig rig(kind);
  int within_one = 0;
  int within_two = 0;
  int n = 0;
  int withheld = 0;
  double off = 0;
  double squares = 0;
  double sigma = 0;
  double pulls = 0;  // squared
  for (int seed = 1; seed <= sessions; ++seed) {
    const auto answer = rig.session(seed);
    if (!answer) {
      ++withheld;
      continue;
    }
    ++n;
    within_one += std::fabs(answer->off) < answer->sigma ? 1 : 0;
    within_two += std::fabs(answer->off) < 1.96 * answer->sigma ? 1 : 0;
    off += answer->off;
    squares += answer->off * answer->off;
    sigma += answer->sigma;
    pulls += answer->off * answer->off / answer->sigma / answer->sigma;
  }
  const auto limit = [&](double p) { return 100 * z * std::sqrt(p * (1 - p) / n); };
  const double one = 100.0 * within_one / n;
  const double two = 100.0 * within_two / n;
  const bool holds =
      std::fabs(one - 68.27) < limit(0.6827) && std::fabs(two - 95) < std::max(limit(0.95), 0.5);
  std::printf(
      "%-50s %4d  %5.1f %% (+-%4.1f)  %5.1f %% (+-%4.1f)  %s  bias %+.4f, scatter %.4f, "
      "quoted %.4f, rms pull %.3f, withheld %d\n",
      kind.name.c_str(), n, one, limit(0.6827), two, limit(0.95),
      holds          ? "holds     "
      : kind.matched ? "does NOT  "
                     : "lost      ",
      off / n, std::sqrt(squares / n - off * off / n / n), sigma / n, std::sqrt(pulls / n),
      withheld);
  std::fflush(stdout);
}

}  // namespace
}  // namespace creel::bench

int main(int argc, char** argv) {
  std::size_t every = 1;
  std::string named;
  for (int i = 1; i < argc; ++i) {
    if (std::strcmp(argv[i], "--short") == 0) {
      creel::bench::sessions = 2;
      every = 5;
    } else if (std::strcmp(argv[i], "--sessions") == 0 && i + 1 < argc) {
      creel::bench::sessions = std::max(2, std::atoi(argv[++i]));
    } else if (std::strcmp(argv[i], "--kind") == 0 && i + 1 < argc) {
      named = argv[++i];
    }
  }
  const auto all = creel::bench::kinds();
  // 99.7 % for all lines together, two intervals each: 3.0 for one would be 4.1 here.
  const double z = 4.1;
  std::printf("# %-48s    n  within 1 sigma     within 1.96 sigma\n", "sessions");
  for (std::size_t i = 0; i < all.size(); i += every) {
    if (all[i].name.find(named) != std::string::npos) creel::bench::measure(all[i], z);
  }
  return 0;
}
