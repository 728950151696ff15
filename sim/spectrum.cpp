#include "sim/spectrum.h"

#include <algorithm>
#include <cmath>
#include <complex>

#include "protocol/physics/kinematics.h"
#include "sim/cross_section.h"
#include "sim/fourier.h"

namespace creel::sim {
namespace {

using Complex = std::complex<double>;
using Wave = std::vector<Complex>;

struct Line {
  double centre_eV, strength, gauss_eV;
};
struct IronForm {
  double l3_onset_eV;
  std::vector<Line> l3, l2, m;
};

// White lines. Positions of the L3 maxima and of the M pre-peaks: P. A. van Aken, B. Liebscher, V.
// J. Styrsa, Phys. Chem. Minerals 25, 323 (1998), Fe(II) 707.8 with 710.5 eV, Fe(III) 709.5 with
// 708.0 eV; P. A. van Aken et al. 1999, M2,3 main maximum near 57 eV with a pre-peak 2.2 (II)
// or 4.2 (III) eV below. Core-hole widths: Campbell and Papp 2001. Of the scenario (assumed):
// strengths, chosen so that the ratio L3/L2 is larger for Fe(III), d5, than for Fe(II), d6, as T.
// G. Sparrow et al., Chem. Phys. Lett. 108, 547 (1984) found; the L2 positions; the solid-state
// widths.
const IronForm kIron2 = {707.0,
                         {{707.8, 0.140, 1.6}, {710.5, 0.055, 2.0}},
                         {{720.7, 0.034, 2.0}, {723.0, 0.014, 2.4}},
                         {{57.0, 0.50, 4.0}, {54.8, 0.12, 2.0}}};
const IronForm kIron3 = {708.0,
                         {{709.5, 0.180, 1.6}, {708.0, 0.070, 1.2}},
                         {{722.8, 0.032, 2.0}, {721.0, 0.014, 1.8}},
                         {{57.0, 0.50, 4.0}, {52.8, 0.15, 2.0}}};
constexpr double kL3Width_eV = 0.41;
constexpr double kL2Width_eV = 1.14;
constexpr double kMWidth_eV = 1.23;

// Near-edge peaks of the ligands, positions by common practice, strengths of the scenario.
const std::vector<Line> kCarbonLines = {{285.2, 0.030, 1.0}, {292.5, 0.080, 6.0}};
const std::vector<Line> kOxygenLines = {{531.0, 0.010, 1.5}, {538.5, 0.080, 7.0}};
constexpr double kCarbonEdge_eV =
    283.8;  // xraylib 4.0 (Schoonjans et al., Spectrochim. Acta B 66, 776 (2011))
constexpr double kOxygenEdge_eV = 532.0;

double lines_per_eV(const std::vector<Line>& lines, double loss_eV, double lorentz_eV) {
  double sum = 0;
  for (const Line& line : lines) {
    // Beyond a hundred widths a Lorentzian's tail is not the physics any more.
    if (std::fabs(loss_eV - line.centre_eV) < 60.0) {
      sum += line.strength * line_per_eV(loss_eV, line.centre_eV, lorentz_eV, line.gauss_eV);
    }
  }
  return sum;
}

double iron_strength_per_eV(const IronForm& form, double loss_eV) {
  return iron_l_continuum_per_eV(loss_eV, form.l3_onset_eV) +
         lines_per_eV(form.l3, loss_eV, kL3Width_eV) + lines_per_eV(form.l2, loss_eV, kL2Width_eV) +
         lines_per_eV(form.m, loss_eV, kMWidth_eV);
}

std::size_t power_of_two_above(std::size_t n) {
  std::size_t power = 1;
  while (power < n) {
    power *= 2;
  }
  return power;
}

/// Samples f at the positive losses of a transform's grid: index i stands for a loss of i * step.
template <class Function>
Wave sampled(std::size_t size, double step_eV, double most_eV, Function&& function) {
  Wave wave(size);
  for (std::size_t i = 1; i < size / 2 && static_cast<double>(i) * step_eV <= most_eV; ++i) {
    wave[i] = function(static_cast<double>(i) * step_eV) * step_eV;
  }
  return wave;
}

/// Transform of a Gaussian of unit area and this FWHM, centred at zero loss.
double zero_loss_transform(std::size_t k, std::size_t size, double step_eV, double fwhm_eV) {
  const double sigma = fwhm_eV / (2.0 * std::sqrt(2.0 * std::log(2.0)));
  const double cycles =
      static_cast<double>(std::min(k, size - k)) / (static_cast<double>(size) * step_eV);
  const double phase = 2.0 * physics::kPi * cycles * sigma;
  return std::exp(-0.5 * phase * phase);
}

/// Valence losses of unit area.
Wave valence_losses(std::size_t size, double step_eV, const Specimen& specimen, double e0,
                    double collection) {
  Wave wave = sampled(size, step_eV, kMostLoss_eV, [&](double loss) {
    double sum = 0;
    for (const Oscillator& one : specimen.valence) {
      sum += one.strength * drude_loss(loss, one.energy_eV, one.width_eV);
    }
    return sum * physics::dipole_angular_factor(loss, e0, collection);
  });
  double area = 0;
  for (const Complex& value : wave) {
    area += value.real();
  }
  for (Complex& value : wave) {
    value /= area;
  }
  return wave;
}

}  // namespace

/// What one atom (nm^2 per step of energy), or one valence loss, does; all as transforms.
struct Spectra::Atoms {
  Wave valence, carbon, oxygen, iron2, iron3;

  Atoms(std::size_t size, double step_eV, double e0, double collection, const Specimen& specimen)
      : valence(valence_losses(size, step_eV, specimen, e0, collection)) {
    const auto light = [=](int z, double edge, const std::vector<Line>& lines) {
      return sampled(size, step_eV, kMostLoss_eV, [&](double loss) {
        return k_shell_nm2_per_eV(z, edge, loss, e0, collection) +
               dipole_nm2_per_eV(lines_per_eV(lines, loss, 0.2), loss, e0, collection);
      });
    };
    const auto iron = [=](const IronForm& form) {
      return sampled(size, step_eV, kMostLoss_eV, [&](double loss) {
        return dipole_nm2_per_eV(iron_strength_per_eV(form, loss), loss, e0, collection);
      });
    };
    carbon = light(6, kCarbonEdge_eV, kCarbonLines);
    oxygen = light(8, kOxygenEdge_eV, kOxygenLines);
    iron2 = iron(kIron2);
    iron3 = iron(kIron3);
    for (Wave* wave : {&valence, &carbon, &oxygen, &iron2, &iron3}) {
      fourier_transform(*wave, false);
    }
  }
};

Spectra::Spectra(const Source& source, const Column& column, const Specimen& specimen,
                 const Truth& truth, double dispersion_eV)
    : step_eV_(dispersion_eV / std::max(1.0, std::ceil(dispersion_eV / 0.125))) {
  points_ = static_cast<std::size_t>((kMostLoss_eV - kLeastLoss_eV) / step_eV_) + 1;
  const std::size_t size = power_of_two_above(2 * points_);
  Wave vacuum(size);
  for (std::size_t k = 0; k < size; ++k) {
    vacuum[k] = zero_loss_transform(k, size, step_eV_, source.zero_loss_fwhm_ev);
  }
  store(Part::vacuum, vacuum);
  const Atoms atoms(size, step_eV_, source.high_tension_v, column.collection_mrad * 1e-3, specimen);
  make_film(source, specimen, atoms, truth.t_over_lambda, 1.0, Part::low_loss);
  make_film(source, specimen, atoms, truth.t_over_lambda, 1.0 - specimen.mass_loss,
            Part::thin_low_loss);
}

/// Takes a transformed spectrum back and keeps its running integral on the grid.
void Spectra::store(Part part, Wave& transformed) {
  fourier_transform(transformed, true);
  const std::size_t size = transformed.size();
  const auto below_zero = static_cast<std::size_t>(std::llround(-kLeastLoss_eV / step_eV_));
  Curve& curve = curves_[static_cast<std::size_t>(part)];
  curve.resize(points_);
  const auto sample = [&](std::size_t i) {
    return std::max(0.0, transformed[(i + size - below_zero) % size].real());
  };
  double running = 0;
  for (std::size_t i = 0; i < points_; ++i) {
    if (i > 0) {
      // The cubic through four samples, integrated over the middle interval: the trapezium rule
      // would be half a percent off in the flank of the zero loss.
      running += (13.0 * (sample(i - 1) + sample(i)) - sample(i + size - 2) - sample(i + 1)) / 24.0;
    }
    curve[i] = {running, sample(i)};
  }
}

/// All parts of a film. In the transform, zero loss and all orders of plural scattering are
/// j = z exp(t/lambda (s - 1)): the sum over n of the Poisson probabilities of n losses (D. W.
/// Johnson, J. C. H. Spence, J. Phys. D 7, 771 (1974)). An inner-shell loss comes with the same
/// plural scattering, so its single-scattering shape is multiplied by j.
void Spectra::make_film(const Source& source, const Specimen& specimen, const Atoms& atoms,
                        double t_over_lambda, double mass, Part first) {
  const std::size_t size = atoms.valence.size();
  const double thickness = t_over_lambda * mass;
  const double through = std::exp(-specimen.elastic_per_lambda * thickness);
  Wave low_loss(size);
  for (std::size_t k = 0; k < size; ++k) {
    low_loss[k] = through * zero_loss_transform(k, size, step_eV_, source.zero_loss_fwhm_ev) *
                  std::exp(thickness * (atoms.valence[k] - 1.0));
  }
  const auto inner = [&](int offset, const Wave& atom, double atoms_per_nm2) {
    Wave wave(size);
    for (std::size_t k = 0; k < size; ++k) {
      wave[k] = atom[k] * low_loss[k] * atoms_per_nm2;
    }
    store(static_cast<Part>(static_cast<int>(first) + offset), wave);
  };
  const double film = t_over_lambda / 0.5;  // areal densities are given for t/lambda = 0.5
  inner(1, atoms.carbon, specimen.carbon_per_nm2 * film * mass);
  inner(2, atoms.oxygen, specimen.oxygen_per_nm2 * film * mass);
  inner(3, atoms.iron2, specimen.iron_per_nm2 * film);  // the metal stays
  inner(4, atoms.iron3, specimen.iron_per_nm2 * film);
  store(first, low_loss);
}

double Spectra::cumulative(const Curve& curve, double loss_eV) const {
  const double where = (loss_eV - kLeastLoss_eV) / step_eV_;
  if (!(where > 0)) {
    return 0;
  }
  const auto i = static_cast<std::size_t>(where);
  if (i + 1 >= curve.size()) {
    return curve.back().running;
  }
  // The cubic with these values and slopes at both ends.
  const Point& a = curve[i];
  const Point& b = curve[i + 1];
  const double p = where - static_cast<double>(i);
  const double rise = b.running - a.running;
  return a.running + p * (a.here + p * (3.0 * rise - 2.0 * a.here - b.here +
                                        p * (a.here + b.here - 2.0 * rise)));
}

double Spectra::integral(Part part, double from_eV, double to_eV) const {
  const Curve& curve = curves_[static_cast<std::size_t>(part)];
  return cumulative(curve, to_eV) - cumulative(curve, from_eV);
}

void Spectra::add(const Weights& weights, double first_edge_eV, double dispersion_eV,
                  std::span<double> out) const {
  for (int part = 0; part < kParts; ++part) {
    if (weights[part] == 0) {
      continue;
    }
    const Curve& curve = curves_[part];
    double before = cumulative(curve, first_edge_eV);
    for (std::size_t channel = 0; channel < out.size(); ++channel) {
      const double after =
          cumulative(curve, first_edge_eV + static_cast<double>(channel + 1) * dispersion_eV);
      out[channel] += weights[part] * (after - before);
      before = after;
    }
  }
}

Weights film_weights(double fe3, double intact) {
  const double full = intact;
  const double thin = 1.0 - intact;
  Weights weights{};
  const auto put = [&weights](Part part, double weight) {
    weights[static_cast<std::size_t>(part)] = weight;
  };
  put(Part::low_loss, full);
  put(Part::carbon, full);
  put(Part::oxygen, full);
  put(Part::iron2, full * (1.0 - fe3));
  put(Part::iron3, full * fe3);
  put(Part::thin_low_loss, thin);
  put(Part::thin_carbon, thin);
  put(Part::thin_oxygen, thin);
  put(Part::thin_iron2, thin * (1.0 - fe3));
  put(Part::thin_iron3, thin * fe3);
  return weights;
}

}  // namespace creel::sim
