// The mean spectrum of one electron after the film, in parts that mix linearly. Made once (a tenth
// of a second); asking for a spectrum is then a few additions per channel.
#pragma once

#include <array>
#include <complex>
#include <cstdint>
#include <span>
#include <vector>

#include "sim/fourier.h"
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
  vacuum,  ///< the beam itself: a zero-loss peak of area one
  film,    ///< zero loss, plasmons and the edges of all that is not iron
  iron2,   ///< Fe L2,3 and M2,3 if all iron were Fe(II), with plural scattering
  iron3,   ///< if all were Fe(III)
  thin_film,
  thin_iron2,
  thin_iron3,
  // What `film` consists of; only to be looked at.
  low_loss,  ///< electrons that excited no inner shell: zero loss and plasmons
  carbon,    ///< C K, with plural scattering
  oxygen,    ///< O K, likewise
};
constexpr int kParts = 10;
constexpr int kMixedParts = 7;  ///< those before low_loss
using Weights = std::array<double, kMixedParts>;

/// Inner shells of single atoms behind one spectrometer, on a grid of losses: what all specimens of
/// a laboratory have in common. Making it is most of the work of making Spectra.
class Shells {
 public:
  using Wave = std::vector<std::complex<double>>;

  /// The grid's step is the dispersion divided by the whole number that brings it to at most 1/8
  /// eV.
  Shells(const Source& source, const Column& column, double dispersion_eV);

 private:
  friend class Spectra;
  /// Transformed, nm^2 per step of energy.
  [[nodiscard]] Wave iron(bool fe3, Coordination coordination) const;

  double step_eV_;
  std::size_t points_;
  double e0_eV_, collection_rad_, zero_loss_fwhm_eV_;
  FourierTransform fourier_;
  Wave carbon_, oxygen_, iron2_, iron3_;  // octahedral; nm^2 per step of energy, transformed
};

class Spectra {
 public:
  /// `dispersion_eV` sets how finely the grid is made; spectra may be asked at any other, too.
  Spectra(const Source& source, const Column& column, const Specimen& specimen, const Truth& truth,
          double dispersion_eV);
  Spectra(const Shells& shells, const Specimen& specimen, const Truth& truth);

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
  /// Where between two grid points, and how their values and slopes weigh there: a cubic.
  struct Between {
    std::size_t point;
    double running_a, here_a, running_b, here_b;
  };
  using Mixed = std::array<Point, kMixedParts>;  // side by side, because they are asked together
  using Looked = std::array<Point, kParts - kMixedParts>;

  [[nodiscard]] Point& at(Part part, std::size_t point);
  [[nodiscard]] const Point& at(Part part, std::size_t point) const;
  void store(const FourierTransform& fourier, Part part, Shells::Wave& transformed);
  void make_film(const Shells& shells, const Specimen& specimen, const Shells::Wave& valence,
                 double t_over_lambda, double mass, bool thin);
  [[nodiscard]] Between between(double loss_eV) const;
  [[nodiscard]] double cumulative(Part part, double loss_eV) const;
  [[nodiscard]] double cumulative(const Weights& weights, double loss_eV) const;

  double step_eV_;
  std::vector<Mixed> mixed_;
  std::vector<Looked> looked_;
};

/// How much of each part one electron sees. `fe3`: Fe(III) / total Fe now. `intact`: 1 = no mass
/// lost, 0 = all that can be lost is; between them the two films are mixed, exact but for the
/// square of the mass loss.
Weights film_weights(double fe3, double intact);

}  // namespace creel::sim
