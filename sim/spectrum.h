// The mean spectrum of one electron after the film, in parts that mix linearly. Made once (a tenth
// of a second); asking for a spectrum is then a few additions per channel.
#pragma once

#include <array>
#include <complex>
#include <cstdint>
#include <span>
#include <vector>

#include "sim/specimen.h"

namespace creel::sim {

/// The spectrometer.
struct Column {
  double collection_mrad = 10;
};

/// Everything between these losses is computed; beyond there is nothing.
constexpr double kLeastLoss_eV = -100;
constexpr double kMostLoss_eV = 1600;

/// Parts of a spectrum. Film parts exist for the film as it is and for the film after all mass
/// loss.
enum class Part : std::uint8_t {
  vacuum,    ///< the beam itself: a zero-loss peak of area one
  low_loss,  ///< transmitted electrons that excited no inner shell: zero loss and plasmons
  carbon,    ///< C K, with plural scattering
  oxygen,    ///< O K, likewise
  iron2,     ///< Fe L2,3 and M2,3 if all iron were Fe(II)
  iron3,     ///< if all were Fe(III)
  thin_low_loss,
  thin_carbon,
  thin_oxygen,
  thin_iron2,
  thin_iron3,
};
constexpr int kParts = 11;
using Weights = std::array<double, kParts>;

class Spectra {
 public:
  /// `dispersion_eV` sets how finely the grid is made; spectra may be asked at any other, too.
  Spectra(const Source& source, const Column& column, const Specimen& specimen, const Truth& truth,
          double dispersion_eV);

  /// Mean content of channels of width `dispersion_eV`, the first beginning at `first_edge_eV`:
  /// adds sum over parts of weight times the part's integral over the channel to out[].
  void add(const Weights& weights, double first_edge_eV, double dispersion_eV,
           std::span<double> out) const;
  /// Integral of one part between two losses: its probability per electron.
  [[nodiscard]] double integral(Part part, double from_eV, double to_eV) const;

 private:
  struct Point {
    double running;  // integral from kLeastLoss_eV to this grid point
    double here;     // density at it, times the step
  };
  using Curve = std::vector<Point>;
  void store(Part part, std::vector<std::complex<double>>& transformed);
  struct Atoms;  // single-scattering shapes, transformed
  void make_film(const Source& source, const Specimen& specimen, const Atoms& atoms,
                 double t_over_lambda, double mass, Part first);
  [[nodiscard]] double cumulative(const Curve& curve, double loss_eV) const;

  double step_eV_;
  std::size_t points_;
  std::array<Curve, kParts> curves_;
};

/// How much of each part one electron sees. `fe3`: Fe(III) / total Fe now. `intact`: 1 = no mass
/// lost, 0 = all that can be lost is; between them the two films are mixed, exact but for the
/// square of the mass loss.
Weights film_weights(double fe3, double intact);

}  // namespace creel::sim
