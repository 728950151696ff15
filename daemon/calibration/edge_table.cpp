#include "daemon/calibration/edge_table.h"

#include <array>

#include "protocol/base/text.h"

namespace creel::calibration {

namespace {

struct Row {
  std::string_view edge;
  double booklet_ev, xraylib_ev;
};
// Edges that a calibration can use: K of what every grid carries, L3 of the 3d metals.
constexpr std::array<Row, 9> kRows = {{{"C K", 284.2, 283.8},
                                       {"N K", 409.9, 401.6},
                                       {"O K", 543.1, 532.0},
                                       {"Cr L3", 574.1, 574.5},
                                       {"Mn L3", 638.7, 640.3},
                                       {"Fe L3", 706.8, 708.1},
                                       {"Co L3", 778.1, 778.6},
                                       {"Ni L3", 852.7, 854.7},
                                       {"Cu L3", 932.7, 931.1}}};

Error mixed(const EdgeEnergy& a, const EdgeEnergy& b) {
  return {ErrorCode::invalid_request,
          a.edge + " is from the table \"" + a.table + "\" and " + b.edge + " from \"" + b.table +
              "\": tables differ by up to 11 eV (iron L3 by 1.3 eV, near the whole shift from "
              "Fe(II) to Fe(III)); take all edge energies from one table"};
}

}  // namespace

Result<EdgeEnergy> edge_energy(std::string_view table, std::string_view edge, double sigma_ev) {
  std::string known;
  if (table == kWhiteLineMaxima) {
    if (edge == "Fe(II) L3" || edge == "Fe(III) L3") {
      return EdgeEnergy{std::string(edge), edge == "Fe(II) L3" ? 707.8 : 709.5, sigma_ev,
                        std::string(table), true};
    }
    known = "Fe(II) L3, Fe(III) L3, and in the other tables";
  }
  for (const Row& row : kRows) {
    if (row.edge == edge && (table == kXrayDataBooklet || table == kXraylib)) {
      return EdgeEnergy{std::string(edge), table == kXraylib ? row.xraylib_ev : row.booklet_ev,
                        sigma_ev, std::string(table), false};
    }
    known += (known.empty() ? "" : ", ") + std::string(row.edge);
  }
  return Error{ErrorCode::refused, "no edge \"" + std::string(edge) + "\" in table \"" +
                                       std::string(table) + "\"; there are " + known};
}

Result<std::string> edge_table_named(std::string_view typed) {
  if (typed == "xraylib") return std::string(kXraylib);
  if (typed == "booklet") return std::string(kXrayDataBooklet);
  if (typed == "maxima") return std::string(kWhiteLineMaxima);
  return Error{ErrorCode::invalid_request,
               "no edge table \"" + std::string(typed) + "\"; must be xraylib, booklet or maxima"};
}

Result<std::string> one_table(const std::vector<EdgeEnergy>& energies) {
  for (const EdgeEnergy& energy : energies) {
    if (energy.table != energies.front().table) return mixed(energies.front(), energy);
  }
  return energies.empty() ? std::string() : energies.front().table;
}

Result<double> difference_ev(const EdgeEnergy& a, const EdgeEnergy& b) {
  if (a.table != b.table) return mixed(a, b);
  return a.ev - b.ev;
}

}  // namespace creel::calibration
