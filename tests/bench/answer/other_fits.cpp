#include "tests/bench/answer/other_fits.h"

#include <chrono>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <memory>
#include <string>
#include <vector>

#ifdef CREEL_HAVE_CERES
#include <ceres/ceres.h>
#endif

namespace creel::bench {

namespace {

/// Channels of the range, as all three fits see them.
struct Channel {
  double ev_over_pivot, y, low, high;
};
std::vector<Channel> channels(const analysis::ComponentData& data) {
  std::vector<Channel> made;
  for (std::size_t c = 0; c < data.grid.channels; ++c) {
    const double ev = data.grid.centre(c);
    if (ev > data.range.from_ev && ev < data.range.to_ev) {
      made.push_back(
          {ev / data.pivot_ev, data.groups.front().counts[c], data.low.edge[c], data.high.edge[c]});
    }
  }
  return made;
}

struct Start {
  double log_amplitude, exponent = 3, height;
};
/// A rough start, the same for both: where the data begin, and the lines over it.
Start start_of(const std::vector<Channel>& all) {
  const double first = std::max(1.0, all.front().y) * std::pow(all.front().ev_over_pivot, 3);
  double over = 0;
  double member = 0;
  for (const Channel& one : all) {
    over += std::max(0.0, one.y - first * std::pow(one.ev_over_pivot, -3));
    member += 0.5 * (one.low + one.high);
  }
  return {std::log(first), 3, over / member};
}

#ifdef CREEL_HAVE_CERES
struct Deviance {
  Channel channel;
  template <class T>
  bool operator()(const T* const p, T* residual) const {
    using std::exp;
    using std::log;
    using std::sqrt;
    const T mu = exp(p[0] - p[1] * std::log(channel.ev_over_pivot)) +
                 p[2] * ((T(1) - p[3]) * channel.low + p[3] * channel.high);
    if (!(mu > T(0))) {
      return false;
    }
    const double y = channel.y;
    const T d = y > 0 ? T(2) * (mu - y + y * log(y / mu)) : T(2) * mu;
    const T root = d > T(1e-12) ? sqrt(d) : (mu - y) / sqrt(mu);
    residual[0] = d > T(1e-12) && mu < T(y) ? -root : root;
    return true;
  }
};
#endif

}  // namespace

std::optional<OtherFit> ceres_fit(const analysis::ComponentData& data, int repeats) {
#ifdef CREEL_HAVE_CERES
  const auto all = channels(data);
  const Start start = start_of(all);
  OtherFit made;
  const auto begin = std::chrono::steady_clock::now();
  for (int i = 0; i < repeats; ++i) {
    double p[4] = {start.log_amplitude, start.exponent, start.height, 0.5};
    ceres::Problem problem;
    for (const Channel& one : all) {
      problem.AddResidualBlock(new ceres::AutoDiffCostFunction<Deviance, 1, 4>(new Deviance{one}),
                               nullptr, p);
    }
    ceres::Solver::Options options;
    options.linear_solver_type = ceres::DENSE_QR;
    options.num_threads = 1;
    options.function_tolerance = 1e-10;
    ceres::Solver::Summary summary;
    ceres::Solve(options, &problem, &summary);
    made.x = p[3];
  }
  made.seconds =
      std::chrono::duration<double>(std::chrono::steady_clock::now() - begin).count() / repeats;
  return made;
#else
  std::ignore = data;
  std::ignore = repeats;
  return std::nullopt;
#endif
}

std::optional<OtherFit> scipy_fit(const analysis::ComponentData& data, int repeats) {
  const auto all = channels(data);
  const Start start = start_of(all);
  const std::string name = "/tmp/creel-bench-" + std::to_string(std::rand()) + ".txt";
  std::FILE* file = std::fopen(name.c_str(), "w");
  if (file == nullptr) {
    return std::nullopt;
  }
  std::fprintf(file, "%.17g %.17g %.17g %d\n", start.log_amplitude, start.exponent, start.height,
               repeats);
  for (const Channel& one : all) {
    std::fprintf(file, "%.17g %.17g %.17g %.17g\n", one.ev_over_pivot, one.y, one.low, one.high);
  }
  std::fclose(file);
  const std::string command =
      "/usr/bin/python3 " CREEL_BENCH_SCRIPTS "/scipy_fit.py " + name + " 2>/dev/null";
  std::unique_ptr<std::FILE, int (*)(std::FILE*)> out(::popen(command.c_str(), "r"), ::pclose);
  OtherFit made;
  const bool read =
      out != nullptr && std::fscanf(out.get(), "%lf %lf", &made.x, &made.seconds) == 2;
  std::remove(name.c_str());
  return read ? std::optional(made) : std::nullopt;
}

}  // namespace creel::bench
