#include "tests/spectra/ink_spectra.h"

#include <Eigen/Dense>
#include <cmath>

#include "daemon/analysis/components.h"
#include "sim/spectrum.h"

namespace creel::spectra {

namespace {

using Row = std::vector<double>;

sim::Spectra film(double t_over_lambda, double dispersion_ev) {
  sim::Truth truth;
  truth.fe3_fraction = 0.5;
  truth.critical_dose = 1e9;
  truth.t_over_lambda = t_over_lambda;
  return {sim::Source{}, sim::Column{}, sim::Specimen{}, truth, dispersion_ev};
}

Row part(const sim::Spectra& spectra, const analysis::Grid& grid, std::size_t which) {
  sim::Weights weights{};
  weights[which] = 1;
  Row out(grid.channels, 0.0);
  spectra.add(weights, grid.first_ev, grid.dispersion_ev, out);
  return out;
}

std::vector<analysis::DoseInterval> doses(const Scene& scene, std::size_t group) {
  const double step = scene.dose / static_cast<double>(scene.groups);
  const auto k = static_cast<double>(group);
  return {{k * step, (k + 1) * step, 1.0}};
}

}  // namespace

InkSpectra::InkSpectra(double t_over_lambda, double dispersion_ev)
    : windows_(*analysis::white_line_windows("Fe")) {
  const auto range = analysis::component_range(windows_);
  grid_ = {range.from_ev - 16, dispersion_ev,
           static_cast<std::size_t>((windows_.after.to_ev - range.from_ev + 32) / dispersion_ev)};
  const sim::Spectra spectra = film(t_over_lambda, dispersion_ev);
  low_ = part(spectra, grid_, static_cast<std::size_t>(sim::Part::iron2));
  high_ = part(spectra, grid_, static_cast<std::size_t>(sim::Part::iron3));
  // The film's own background as the power law that the fit knows, so that the bound is that of the
  // model; what a real background does is seen in whole sessions.
  const Row carbon_and_oxygen = part(spectra, grid_, static_cast<std::size_t>(sim::Part::film));
  Row many = carbon_and_oxygen;
  for (double& value : many) {
    value *= 1e12;
  }
  const auto background = analysis::fit_background(many, grid_, windows_.background);
  exponent_ = background->exponent;
  pivot_ = background->pivot_ev;
  amplitude_ = background->amplitude * 1e-12;
}

Row InkSpectra::mean(const Scene& scene, std::size_t group, double x0, double rate,
                     double log_amplitude, double exponent, double height, const Row& low,
                     const Row& high) const {
  const analysis::DoseInterval dose = doses(scene, group).front();
  const double u = rate * (dose.after - dose.before);
  const double x =
      x0 * std::exp(-rate * dose.before) * (std::fabs(u) < 1e-9 ? 1.0 : (1 - std::exp(-u)) / u);
  Row mu(grid_.channels);
  for (std::size_t c = 0; c < grid_.channels; ++c) {
    mu[c] = std::exp(log_amplitude) * std::pow(grid_.centre(c) / pivot_, -exponent) +
            height * ((1 - x) * low[c] + x * high[c]);
  }
  return mu;
}

analysis::Expected InkSpectra::truth(const Scene& scene) const {
  analysis::Expected truth;
  truth.x0 = scene.x0;
  truth.rate = 1 / scene.critical_dose;
  const double electrons = scene.electrons / static_cast<double>(scene.groups);
  truth.groups.assign(scene.groups, {amplitude_ * electrons, exponent_, electrons});
  return truth;
}

analysis::ComponentData InkSpectra::expected(const Scene& scene) const {
  analysis::ComponentData data;
  data.grid = grid_;
  data.pivot_ev = pivot_;
  data.range = analysis::component_range(windows_);
  data.before_edge = windows_.background;
  data.low = {low_, Row(grid_.channels, 0.0)};
  data.high = {high_, Row(grid_.channels, 0.0)};
  const analysis::Expected of = truth(scene);
  if (scene.reference_electrons > 0) {
    for (auto* member : {&data.low, &data.high}) {
      for (std::size_t c = 0; c < grid_.channels; ++c) {
        const double counts =
            scene.reference_electrons *
            (amplitude_ * std::pow(grid_.centre(c) / pivot_, -exponent_) + member->edge[c]);
        member->variance[c] = counts / std::pow(scene.reference_electrons, 2);
      }
    }
  }
  for (std::size_t k = 0; k < scene.groups; ++k) {
    analysis::ComponentGroup group;
    group.doses = doses(scene, k);
    group.counts = mean(scene, k, scene.x0, of.rate, std::log(of.groups[k].amplitude), exponent_,
                        of.groups[k].height, low_, high_);
    data.groups.push_back(std::move(group));
  }
  return data;
}

analysis::ComponentData InkSpectra::draw(const Scene& scene, sim::Random& random) const {
  analysis::ComponentData data = expected(scene);
  for (auto* member : {&data.low, &data.high}) {
    for (std::size_t c = 0; c < grid_.channels; ++c) {
      member->edge[c] += std::sqrt(member->variance[c]) * random.normal();
    }
  }
  for (auto& group : data.groups) {
    for (double& count : group.counts) {
      count = static_cast<double>(random.poisson(count));
    }
  }
  return data;
}

double InkSpectra::bound(const Scene& scene) const {
  const analysis::Expected of = truth(scene);
  const analysis::ComponentData data = expected(scene);
  const auto range = data.range;
  const auto members = scene.reference_electrons > 0 ? 2 * grid_.channels : 0;
  const auto size = static_cast<Eigen::Index>(2 + 3 * scene.groups + members);
  Eigen::MatrixXd fisher = Eigen::MatrixXd::Zero(size, size);
  for (std::size_t k = 0; k < scene.groups; ++k) {
    // x0, rate, ln A, r, H: central differences of the model itself.
    const double at[5] = {scene.x0, of.rate, std::log(of.groups[k].amplitude), exponent_,
                          of.groups[k].height};
    const double step[5] = {1e-3, 1e-3 * of.rate, 1e-4, 1e-4, 1e-4 * at[4]};
    std::vector<Row> slope;
    for (int i = 0; i < 5; ++i) {
      Row up, down;
      for (const double sign : {1.0, -1.0}) {
        double p[5];
        std::copy(at, at + 5, p);
        p[i] += sign * step[i];
        (sign > 0 ? up : down) = mean(scene, k, p[0], p[1], p[2], p[3], p[4], low_, high_);
      }
      for (std::size_t c = 0; c < grid_.channels; ++c) {
        up[c] = (up[c] - down[c]) / (2 * step[i]);
      }
      slope.push_back(std::move(up));
    }
    const double survival =
        analysis::survival(doses(scene, k).front(), of.rate, analysis::BeamProfile::flat);
    const double x = scene.x0 * survival;
    for (std::size_t c = 0; c < grid_.channels; ++c) {
      if (grid_.centre(c) < range.from_ev || grid_.centre(c) > range.to_ev) {
        continue;
      }
      std::vector<std::pair<Eigen::Index, double>> row;
      for (int i = 0; i < 5; ++i) {
        const auto own = static_cast<Eigen::Index>(2 + 3 * k) + i - 2;
        row.emplace_back(i < 2 ? i : own, slope[static_cast<std::size_t>(i)][c]);
      }
      if (members > 0) {
        const auto first = static_cast<Eigen::Index>(2 + 3 * scene.groups + 2 * c);
        row.emplace_back(first, at[4] * (1 - x));
        row.emplace_back(first + 1, at[4] * x);
      }
      for (const auto& [i, a] : row) {
        for (const auto& [j, b] : row) {
          fisher(i, j) += a * b / data.groups[k].counts[c];
        }
      }
    }
  }
  for (std::size_t c = 0; 2 * c < members; ++c) {
    const auto first = static_cast<Eigen::Index>(2 + 3 * scene.groups + 2 * c);
    fisher(first, first) += 1 / data.low.variance[c];
    fisher(first + 1, first + 1) += 1 / data.high.variance[c];
  }
  // Without dose there is no rate to be known: its row is empty.
  const Eigen::VectorXd scale =
      fisher.diagonal().unaryExpr([](double d) { return d > 0 ? 1 / std::sqrt(d) : 1.0; });
  Eigen::MatrixXd unit = scale.asDiagonal() * fisher * scale.asDiagonal();
  for (Eigen::Index i = 0; i < size; ++i) {
    unit(i, i) = 1;
  }
  const Eigen::VectorXd first = Eigen::VectorXd::Unit(size, 0);
  return scale[0] * std::sqrt(unit.ldlt().solve(first)[0]);
}

}  // namespace creel::spectra
