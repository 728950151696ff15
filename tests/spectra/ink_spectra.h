// Spectra of the simulated ink film of which every number is known: counts of a counting detector,
// drawn by dose group, with the end members as a library would hold them. What the component fit is
// measured by: the bound of Cramer and Rao is worked out here from the model's own formula by
// finite differences, and shares no line with the fit.
#pragma once

#include <cstdint>
#include <vector>

#include "daemon/analysis/component_fit.h"
#include "daemon/analysis/white_lines.h"
#include "sim/random.h"

namespace creel::spectra {

/// One experiment.
struct Scene {
  double x0 = 0.7;
  double critical_dose = 25;  ///< e/angstrom^2
  double dose = 20;           ///< of all groups together
  std::size_t groups = 10;
  double electrons = 1e10;         ///< on the film, of all groups together
  double reference_electrons = 0;  ///< behind each end member; 0: they are exact
};

class InkSpectra {
 public:
  /// @param t_over_lambda  thickness of the film in mean free paths
  explicit InkSpectra(double t_over_lambda = 0.4, double dispersion_ev = 0.5);

  /// Everything but the counts, which are the expected ones.
  [[nodiscard]] analysis::ComponentData expected(const Scene& scene) const;
  [[nodiscard]] analysis::Expected truth(const Scene& scene) const;
  /// Counts drawn, and the end members' too where they are not exact.
  [[nodiscard]] analysis::ComponentData draw(const Scene& scene, sim::Random& random) const;

  /// Smallest standard deviation that an unbiased x0 can have (H. Cramer, Mathematical Methods of
  /// Statistics, Princeton 1946; C. R. Rao, Bull. Calcutta Math. Soc. 37, 81 (1945)): x0, damage
  /// rate, backgrounds and sizes all unknown, and each channel of the end members where they were
  /// measured.
  [[nodiscard]] double bound(const Scene& scene) const;

  [[nodiscard]] const analysis::Grid& grid() const { return grid_; }
  [[nodiscard]] const analysis::WhiteLineWindows& windows() const { return windows_; }

 private:
  [[nodiscard]] std::vector<double> mean(const Scene& scene, std::size_t group, double x0,
                                         double rate, double log_amplitude, double exponent,
                                         double height, const std::vector<double>& low,
                                         const std::vector<double>& high) const;

  analysis::Grid grid_;
  analysis::WhiteLineWindows windows_;
  std::vector<double> low_, high_;  // per electron on the film
  double amplitude_ = 0, exponent_ = 0, pivot_ = 0;
};

}  // namespace creel::spectra
