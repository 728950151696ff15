// How fast the simulated world makes frames and spectra, on one core, in processor time, beside
// what limits it. Lines: name, value, ratio to the limit that follows "of". `--short` measures a
// tenth as long. Nothing here can fail because a machine is slow.
#include <algorithm>
#include <cstdint>
#include <cstdio>
#include <cstring>
#include <ctime>
#include <functional>
#include <random>
#include <string>
#include <vector>

#include "sim/world.h"

namespace creel::sim {
namespace {

constexpr std::uint64_t kSeed = 20260314;
double measured_s = 1.0;
// What was computed is added up and printed, so that no compiler can leave it out.
std::uint64_t seen = 0;

/// Calls a second of processor time. `job` gets the number of the call. The clock is asked rarely:
/// asking takes longer than copying a spectrum.
double rate(const std::function<void(int)>& job) {
  job(0);
  int calls = 0;
  double spent_s = 0;
  const std::clock_t start = std::clock();
  do {
    for (const int more = std::max(1, calls / 4), until = calls + more; calls < until;) {
      job(++calls);
    }
    spent_s = static_cast<double>(std::clock() - start) / CLOCKS_PER_SEC;
  } while (spent_s < measured_s);
  return calls / spent_s;
}

void print(const std::string& name, double value, double limit, const char* of) {
  std::printf("%-36s %10.0f %9.4f  of %s\n", name.c_str(), value, value / limit, of);
}

const View& view() {
  static const View made(Laboratory{}, kSeed, 0.5);
  return made;
}

/// A detector before which the shutter stays open.
class Bench {
 public:
  Bench(const Camera& camera, double exposure_s)
      : sensor_(camera, kSeed, 0),
        history_(view().laboratory().source, kSeed),
        exposure_ns_(static_cast<std::int64_t>(exposure_s * 1e9)),
        columns_(camera.columns),
        frame_(static_cast<std::size_t>(camera.rows) * camera.columns) {
    std::ignore = history_.add(std::vector<Event>{{1, Channel::beam, 1}});
  }
  void means(int index) {
    const std::int64_t begin = 1'000'000'000 + index * exposure_ns_;
    view().expected(history_, begin, begin + exposure_ns_, {}, columns_);
  }
  void frame(int index) {
    means(index);
    Random random = frame_random(kSeed, index, 0);
    sensor_.render(columns_, static_cast<double>(exposure_ns_) * 1e-9, random, workspace_, frame_);
    seen += frame_[frame_.size() / 2];
  }
  [[nodiscard]] std::size_t bytes() const { return frame_.size() * 2; }
  /// Means of all pixels, the same for each row.
  [[nodiscard]] std::vector<double> pixels() const {
    std::vector<double> means;
    const std::size_t rows = frame_.size() / columns_.size();
    for (std::size_t i = 0; i < frame_.size(); ++i) {
      means.push_back(columns_[i % columns_.size()] / static_cast<double>(rows));
    }
    return means;
  }

 private:
  Sensor sensor_;
  History history_;
  std::int64_t exposure_ns_;
  Sensor::Workspace workspace_;
  std::vector<double> columns_;
  std::vector<std::uint16_t> frame_;
};

/// How often a frame of this size can be copied.
double copies(std::size_t bytes) {
  std::vector<unsigned char> from(bytes, 1);
  std::vector<unsigned char> to(bytes);
  return rate([&](int index) {
    from[static_cast<std::size_t>(index) % bytes] = static_cast<unsigned char>(index);
    std::memcpy(to.data(), from.data(), bytes);
    seen += to[static_cast<std::size_t>(index) % bytes];
  });
}

/// How often the standard library draws one Poisson number for each mean.
double standard_draws(const std::vector<double>& means) {
  std::mt19937_64 engine(kSeed);
  return rate([&](int) {
    for (const double mean : means) {
      if (mean > 0) {
        seen += std::poisson_distribution<std::uint32_t>(mean)(engine);
      }
    }
  });
}

void measure(const std::string& name, const Camera& camera, double exposure_s) {
  Bench bench(camera, exposure_s);
  const double ours = rate([&](int index) { bench.frame(index); });
  const double drawn = standard_draws(bench.pixels());
  print(name, ours, drawn, "std::poisson_distribution drawing the same pixels one by one");
  print(name, ours, copies(bench.bytes()), "memcpy of the finished frame");
}

int run() {
  Camera dense;
  Camera counting;
  counting.counting = true;
  Camera spectrum;
  spectrum.rows = 1;
  Camera counted_spectrum = spectrum;
  counted_spectrum.counting = true;
  measure("frames_per_s.2048x64.2e7_electrons", dense, 10);
  measure("frames_per_s.2048x64.2e5_electrons", dense, 0.1);
  measure("frames_per_s.2048x64.2e3_electrons", dense, 0.001);
  measure("frames_per_s.2048x64.2e3_counted", counting, 0.001);
  measure("frames_per_s.2048x64.2e5_counted", counting, 0.1);
  measure("spectra_per_s.2048.2e6_electrons", spectrum, 1);
  measure("spectra_per_s.2048.2e3_electrons", spectrum, 0.001);
  measure("spectra_per_s.2048.2e3_counted", counted_spectrum, 0.001);
  Bench means(spectrum, 1);
  const double mean_spectra = rate([&](int index) { means.means(index); });
  print("mean_spectra_per_s.2048", mean_spectra, copies(2048 * sizeof(double)),
        "memcpy of the spectrum");
  int made = 0;
  const double views = rate([&](int index) {
    const View fresh(Laboratory{}, static_cast<std::uint64_t>(index), 0.5);
    made += fresh.spectra().integral(Part::film, -1, 1) > 0 ? 1 : 0;
  });
  std::printf("%-36s %10.1f\n", "worlds_made_per_s", views);
  std::printf("# checksum %llu\n", static_cast<unsigned long long>(seen + made));
  return 0;
}

}  // namespace
}  // namespace creel::sim

int main(int argc, char** argv) {
  if (argc > 2 || (argc == 2 && std::string(argv[1]) != "--short")) {
    std::fprintf(stderr, "usage: world [--short]\n");
    return 2;
  }
  creel::sim::measured_s = argc == 2 ? 0.1 : 1.0;
  return creel::sim::run();
}
