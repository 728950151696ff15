// Energies of edges, each with the table that it comes from. Tables disagree by more than a
// chemical shift: iron L3 is at 706.8 eV in one and at 708.1 eV in the other, when Fe(II) and
// Fe(III) differ by 1.7 eV. So an energy never goes without its table, and whatever would compare
// two tables is refused.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "protocol/base/result.h"

namespace creel::calibration {

/// X-Ray Data Booklet (A. Thompson et al., LBNL/PUB-490, 3rd ed. 2009), table 1-1.
inline constexpr std::string_view kXrayDataBooklet = "X-Ray Data Booklet, LBNL/PUB-490, 2009";
/// xraylib 4.0 (T. Schoonjans et al., Spectrochim. Acta B 66, 776 (2011)).
inline constexpr std::string_view kXraylib = "xraylib 4.0";

/// Maxima of white lines as energy-loss spectra show them: iron L3 of Fe(II) and Fe(III) minerals
/// (P. A. van Aken, B. Liebscher, V. J. Styrsa, Phys. Chem. Minerals 25, 323 (1998)).
inline constexpr std::string_view kWhiteLineMaxima = "white-line maxima, van Aken et al. 1998";

struct EdgeEnergy {
  std::string edge;  ///< "Fe L3", "C K"
  double ev = 0;
  double sigma_ev = 0;   ///< by which the edge of this specimen may lie elsewhere, one deviation
  std::string table;     ///< one of the above, or where a person has it from
  bool maximum = false;  ///< energy of the line's maximum, not of the edge's rise
};

/// From one of the three tables; of the last the edges are "Fe(II) L3" and "Fe(III) L3".
/// `sigma_ev`: chemical shift, and what counts as the edge. refused: no such table, or no such edge
/// in it.
Result<EdgeEnergy> edge_energy(std::string_view table, std::string_view edge, double sigma_ev);

/// "xraylib", "booklet" or "maxima" as a person types it; nothing else is a table of ours.
Result<std::string> edge_table_named(std::string_view typed);

/// The one table of all, "" for none. invalid_request when they come from more than one: the
/// sentence names both and what the difference would do.
Result<std::string> one_table(const std::vector<EdgeEnergy>& energies);

/// a - b. invalid_request when they come from different tables.
Result<double> difference_ev(const EdgeEnergy& a, const EdgeEnergy& b);

}  // namespace creel::calibration
