// The two-step white-line areas of a 3d metal's L2,3 edge.
//
// Under the lines lies the continuum of transitions to unbound states, modelled as two steps in the
// ratio of the occupation of the shells, 2:1, at the white-line positions; their height is that of
// a straight line through a window behind the lines, carried back under them. What is left in a
// window around each line is its area. Source: D. H. Pearson, C. C. Ahn, B. Fultz, Phys. Rev. B 47,
// 8471 (1993); D. H. Pearson, B. Fultz, C. C. Ahn, Appl. Phys. Lett. 53, 1405 (1988). Step
// positions for iron, 708.65 and 721.65 eV: P. A. van Aken, B. Liebscher, Phys. Chem. Minerals 29,
// 188 (2002), as remembered; 708.65 eV is the mean of the L3 maxima of Fe(II), 707.8 eV, and
// Fe(III), 709.5 eV (P. A. van Aken, B. Liebscher, V. J. Styrsa, Phys. Chem. Minerals 25, 323
// (1998)).
//
// The method presumes single scattering: in a film of t/lambda = 0.6 the plasmon echo of the lines
// lies in the window behind them and the steps come out far too high. Plural scattering must be
// removed first (plural.h).
//
// Every area is a linear functional of the background-subtracted spectrum, area = sum u S, so that
// its error follows from the noise of S alone, and areas of sums are sums of areas.
#pragma once

#include <array>
#include <string>
#include <string_view>
#include <vector>

#include "daemon/spectra/background.h"

namespace creel::analysis {

/// All windows of one edge, eV.
struct WhiteLineWindows {
  Window background;  ///< before the edge
  Window l3, l2;
  double split_ev = 0;  ///< cuts the L3 window in two: how the line is divided tells its chemical
                        ///< shift
  double step3_ev = 0, step2_ev = 0;
  double step3_part = 2.0 / 3.0;  ///< of the whole height
  Window after;                   ///< behind the lines
};

/// Windows for an element, or refused: only Cr, Mn, Fe, Co, Ni, Cu. For iron: background 640-700,
/// L3 705-715, L2 718-728, after 758.65-808.65 eV. The others have the same distances from their
/// edges, L3 and L2 meeting where they would overlap. Edge energies: X-Ray Data Booklet (A.
/// Thompson et al., LBNL/PUB-490, 3rd ed. 2009), table 1-1, with iron's chemical step of 1.85
/// and 1.75 eV. Trap: other tables put the same edges up to 1.8 eV away (iron L3 706.8 here, 708.1
/// eV in xraylib); never mix two of them.
Result<WhiteLineWindows> white_line_windows(std::string_view element);

/// invalid_request when windows are out of order or leave the axis, else nothing.
Result<void> check_windows(const WhiteLineWindows& windows, const Grid& grid);

/// The four numbers that the evaluation takes from an edge, in this order.
enum Quantity : std::size_t {
  kL3Low = 0,   ///< L3 below split_ev
  kL3High = 1,  ///< L3 above it
  kL2 = 2,
  kHeight = 3,  ///< of the steps: mean of the spectrum in `after`, counts per channel
};
constexpr std::size_t kQuantities = 4;
constexpr std::size_t kLines = 3;

/// u of each quantity, for a background-subtracted single-scattering spectrum on this grid.
std::array<std::vector<double>, kQuantities> white_line_functionals(const WhiteLineWindows& windows,
                                                                    const Grid& grid);

/// The two steps under a spectrum, for the picture; counts per channel.
std::vector<double> two_steps(const WhiteLineWindows& windows, const Grid& grid,
                              const std::vector<double>& spectrum);

/// A ratio a/b of two measured numbers with covariance.
struct Ratio {
  double value = 0;
  double sigma = 0;          ///< by propagation, sigma^2/R^2 = va/a^2 + vb/b^2 - 2 cab/(a b)
  double low = 0, high = 0;  ///< 68.3 % interval of E. C. Fieller, J. R. Stat. Soc. B 16, 175
                             ///< (1954): right also where b is poorly known, and then not symmetric
};
/// refused when b is not at least 3 of its standard deviations: a ratio would mean nothing, and its
/// expectation would be biased upward by about 1/(b/sigma_b)^2.
Result<Ratio> ratio(double a, double b, double var_a, double var_b, double covariance);

}  // namespace creel::analysis
