#include "sim/spectrum.h"

#include <algorithm>
#include <cmath>
#include <complex>
#include <utility>

#include "protocol/physics/kinematics.h"
#include "sim/cross_section.h"

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
const IronForm kIron2 = {kIron2L3_eV,
                         {{707.8, 0.140, 1.6}, {710.5, 0.055, 2.0}},
                         {{720.7, 0.034, 2.0}, {723.0, 0.014, 2.4}},
                         {{57.0, 0.34, 4.0}, {54.8, 0.08, 2.0}}};
const IronForm kIron3 = {kIron3L3_eV,
                         {{709.5, 0.180, 1.6}, {708.0, 0.070, 1.2}},
                         {{722.8, 0.032, 2.0}, {721.0, 0.014, 1.8}},
                         {{57.0, 0.34, 4.0}, {52.8, 0.10, 2.0}}};
constexpr double kL3Width_eV = 0.41;
constexpr double kL2Width_eV = 1.14;
constexpr double kMWidth_eV = 1.23;

// Near-edge peaks of the ligands, positions by common practice, strengths of the scenario.
const std::vector<Line> kCarbonLines = {{285.2, 0.030, 1.0}, {292.5, 0.080, 6.0}};
const std::vector<Line> kOxygenLines = {{531.0, 0.010, 1.5}, {538.5, 0.080, 7.0}};

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

/// Four neighbours instead of six: the two lines of each edge draw together about their centre.
/// That all of their distance goes with the ligand field is a coarse rule of the scenario.
IronForm tetrahedral(IronForm form) {
  constexpr double kFieldRatio = 4.0 / 9.0;
  for (std::vector<Line>* lines : {&form.l3, &form.l2}) {
    double strength = 0;
    double centre_eV = 0;
    for (const Line& line : *lines) {
      strength += line.strength;
      centre_eV += line.strength * line.centre_eV;
    }
    centre_eV /= strength;
    for (Line& line : *lines) {
      line.centre_eV = centre_eV + kFieldRatio * (line.centre_eV - centre_eV);
    }
  }
  return form;
}

double iron_strength_per_eV(const IronForm& form, double loss_eV) {
  return iron_l_continuum_per_eV(loss_eV, form.l3_onset_eV) + iron_m_continuum_per_eV(loss_eV) +
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

Shells::Shells(const Source& source, const Column& column, double dispersion_eV)
    : step_eV_(dispersion_eV / std::max(1.0, std::ceil(dispersion_eV / 0.125))),
      points_(static_cast<std::size_t>((kMostLoss_eV - kLeastLoss_eV) / step_eV_) + 1),
      e0_eV_(source.high_tension_v),
      collection_rad_(column.collection_mrad * 1e-3),
      zero_loss_fwhm_eV_(source.zero_loss_fwhm_ev),
      fourier_(power_of_two_above(2 * points_)) {
  const std::size_t size = power_of_two_above(2 * points_);
  const auto light = [&](int z, double edge, const std::vector<Line>& lines) {
    return sampled(size, step_eV_, kMostLoss_eV, [&](double loss) {
      return k_shell_nm2_per_eV(z, edge, loss, e0_eV_, collection_rad_) +
             dipole_nm2_per_eV(lines_per_eV(lines, loss, 0.2), loss, e0_eV_, collection_rad_);
    });
  };
  carbon_ = light(6, kCarbonK_eV, kCarbonLines);
  oxygen_ = light(8, kOxygenK_eV, kOxygenLines);
  fourier_.forward(carbon_);
  fourier_.forward(oxygen_);
  iron2_ = iron(false, Coordination::octahedral);
  iron3_ = iron(true, Coordination::octahedral);
}

Shells::Wave Shells::iron(bool fe3, Coordination coordination) const {
  IronForm form = fe3 ? kIron3 : kIron2;
  if (coordination == Coordination::tetrahedral) {
    form = tetrahedral(std::move(form));
  }
  Wave wave = sampled(power_of_two_above(2 * points_), step_eV_, kMostLoss_eV, [&](double loss) {
    return dipole_nm2_per_eV(iron_strength_per_eV(form, loss), loss, e0_eV_, collection_rad_);
  });
  fourier_.forward(wave);
  return wave;
}

Spectra::Spectra(const Source& source, const Column& column, const Specimen& specimen,
                 const Truth& truth, double dispersion_eV)
    : Spectra(Shells(source, column, dispersion_eV), specimen, truth) {}

Spectra::Spectra(const Shells& shells, const Specimen& specimen, const Truth& truth)
    : step_eV_(shells.step_eV_), mixed_(shells.points_), looked_(shells.points_) {
  const std::size_t size = shells.carbon_.size();
  Wave vacuum(size);
  for (std::size_t k = 0; k < size; ++k) {
    vacuum[k] = zero_loss_transform(k, size, step_eV_, shells.zero_loss_fwhm_eV_);
  }
  store(shells.fourier_, Part::vacuum, vacuum);
  Wave valence = valence_losses(size, step_eV_, specimen, shells.e0_eV_, shells.collection_rad_);
  shells.fourier_.forward(valence);
  make_film(shells, specimen, valence, truth.t_over_lambda, 1.0, false);
  make_film(shells, specimen, valence, truth.t_over_lambda, 1.0 - specimen.mass_loss, true);
}

const Spectra::Point& Spectra::at(Part part, std::size_t point) const {
  const auto index = static_cast<std::size_t>(part);
  return index < kMixedParts ? mixed_[point][index] : looked_[point][index - kMixedParts];
}

Spectra::Point& Spectra::at(Part part, std::size_t point) {
  return const_cast<Point&>(std::as_const(*this).at(part, point));
}

/// Takes a transformed spectrum back and keeps its running integral on the grid.
void Spectra::store(const FourierTransform& fourier, Part part, Wave& transformed) {
  fourier.inverse(transformed);
  const std::size_t size = transformed.size();
  const auto below_zero = static_cast<std::size_t>(std::llround(-kLeastLoss_eV / step_eV_));
  const auto sample = [&](std::size_t i) {
    return std::max(0.0, transformed[(i + size - below_zero) % size].real());
  };
  double running = 0;
  for (std::size_t i = 0; i < mixed_.size(); ++i) {
    if (i > 0) {
      // The cubic through four samples, integrated over the middle interval: the trapezium rule
      // would be half a percent off in the flank of the zero loss.
      running += (13.0 * (sample(i - 1) + sample(i)) - sample(i + size - 2) - sample(i + 1)) / 24.0;
    }
    at(part, i) = {running, sample(i)};
  }
}

/// All parts of a film. In the transform, zero loss and all orders of plural scattering are
/// j = z exp(t/lambda (s - 1)): the sum over n of the Poisson probabilities of n losses (D. W.
/// Johnson, J. C. H. Spence, J. Phys. D 7, 771 (1974)). An inner-shell loss comes with the same
/// plural scattering, so its single-scattering shape is multiplied by j.
void Spectra::make_film(const Shells& shells, const Specimen& specimen, const Wave& valence,
                        double t_over_lambda, double mass, bool thin) {
  const std::size_t size = valence.size();
  const double thickness = t_over_lambda * mass;
  const double film = t_over_lambda / 0.5;  // areal densities are given for t/lambda = 0.5
  const double carbon_per_nm2 = specimen.carbon_per_nm2 * film * mass;
  const double oxygen_per_nm2 = specimen.oxygen_per_nm2 * film * mass;
  const double iron_per_nm2 = specimen.iron_per_nm2 * film;  // the metal stays
  // At frequency zero stands the whole cross section. Electrons that excite an inner shell are
  // missing from those that do not.
  const double inner_losses = carbon_per_nm2 * shells.carbon_[0].real() +
                              oxygen_per_nm2 * shells.oxygen_[0].real() +
                              iron_per_nm2 * shells.iron3_[0].real();
  const double through = std::exp(-specimen.elastic_per_lambda * thickness - inner_losses);
  Wave low_loss(size);
  for (std::size_t k = 0; k < size; ++k) {
    low_loss[k] = through * zero_loss_transform(k, size, step_eV_, shells.zero_loss_fwhm_eV_) *
                  std::exp(thickness * (valence[k] - 1.0));
  }
  const auto inner = [&](const Wave& atom, double atoms_per_nm2) {
    Wave wave(size);
    for (std::size_t k = 0; k < size; ++k) {
      wave[k] = atom[k] * low_loss[k] * atoms_per_nm2;
    }
    return wave;
  };
  const bool usual = specimen.coordination == Coordination::octahedral;
  Wave iron2 =
      inner(usual ? shells.iron2_ : shells.iron(false, specimen.coordination), iron_per_nm2);
  Wave iron3 =
      inner(usual ? shells.iron3_ : shells.iron(true, specimen.coordination), iron_per_nm2);
  store(shells.fourier_, thin ? Part::thin_iron2 : Part::iron2, iron2);
  store(shells.fourier_, thin ? Part::thin_iron3 : Part::iron3, iron3);
  Wave carbon = inner(shells.carbon_, carbon_per_nm2);
  Wave oxygen = inner(shells.oxygen_, oxygen_per_nm2);
  Wave all = low_loss;
  for (std::size_t k = 0; k < size; ++k) {
    all[k] += carbon[k] + oxygen[k];
  }
  store(shells.fourier_, thin ? Part::thin_film : Part::film, all);
  if (!thin) {
    store(shells.fourier_, Part::low_loss, low_loss);
    store(shells.fourier_, Part::carbon, carbon);
    store(shells.fourier_, Part::oxygen, oxygen);
  }
}

/// The cubic with these values and slopes at both ends of its interval (Hermite's), written as
/// weights, so that parts can be mixed before it is evaluated.
inline Spectra::Between Spectra::between(double loss_eV) const {
  const double most = static_cast<double>(mixed_.size() - 1);
  const double where = std::clamp((loss_eV - kLeastLoss_eV) / step_eV_, 0.0, most);
  const std::size_t i = std::min(static_cast<std::size_t>(where), mixed_.size() - 2);
  const double p = where - static_cast<double>(i);
  const double rise = p * p * (3.0 - 2.0 * p);
  return {i, 1.0 - rise, p * (1.0 - p) * (1.0 - p), rise, -p * p * (1.0 - p)};
}

double Spectra::cumulative(Part part, double loss_eV) const {
  const Between w = between(loss_eV);
  const Point& a = at(part, w.point);
  const Point& b = at(part, w.point + 1);
  return w.running_a * a.running + w.here_a * a.here + w.running_b * b.running + w.here_b * b.here;
}

inline double Spectra::cumulative(const Weights& weights, double loss_eV) const {
  const Between w = between(loss_eV);
  const Mixed& a = mixed_[w.point];
  const Mixed& b = mixed_[w.point + 1];
  double running = 0;
  double here = 0;
  for (std::size_t part = 0; part < kMixedParts; ++part) {
    running += weights[part] * (w.running_a * a[part].running + w.running_b * b[part].running);
    here += weights[part] * (w.here_a * a[part].here + w.here_b * b[part].here);
  }
  return running + here;
}

double Spectra::integral(Part part, double from_eV, double to_eV) const {
  return cumulative(part, to_eV) - cumulative(part, from_eV);
}

void Spectra::add(const Weights& weights, double first_edge_eV, double dispersion_eV,
                  std::span<double> out) const {
  double before = cumulative(weights, first_edge_eV);
  for (std::size_t channel = 0; channel < out.size(); ++channel) {
    const double after =
        cumulative(weights, first_edge_eV + static_cast<double>(channel + 1) * dispersion_eV);
    out[channel] += after - before;
    before = after;
  }
}

Weights film_weights(double fe3, double intact) {
  const double thin = 1.0 - intact;
  // In the order of Part.
  return {0, intact, intact * (1.0 - fe3), intact * fe3, thin, thin * (1.0 - fe3), thin * fe3};
}

}  // namespace creel::sim
