// Reads a session once and sums what a figure needs. Memory does not grow with the number of
// frames.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "client/report/session_parts.h"
#include "daemon/spectra/spectrum.h"
#include "protocol/base/result.h"
#include "protocol/session/reader.h"

namespace creel::report {

struct Image {
  std::uint32_t rows = 0, columns = 0;          ///< in cells
  std::uint32_t bin_rows = 1, bin_columns = 1;  ///< pixels of one cell
  std::vector<double> mean;                     ///< counts per pixel, row by row
};

/// What a session holds, as numbers and as words for a figure.
struct Sums {
  std::string session;          ///< its name
  std::string title;            ///< from the series document; its name when it has no title
  analysis::Spectrum spectrum;  ///< of the kind that is shown
  std::optional<analysis::EnergyAxis> axis;  ///< as typed in the series; nothing when unknown
  std::vector<std::string> elements;         ///< of the specimen
  std::optional<Image> image;                ///< of the same frames, when a frame has several rows
  std::vector<std::pair<std::string, double>>
      doses;                         ///< area (grid/name), e/A^2 given by this session
  std::vector<std::string> remarks;  ///< what a reader of the figure must know, one sentence each
};

/// Sums the specimen frames; when there are none, those of the first kind there is, and says so. A
/// damaged frame is left out, and a remark says how many. refused when the session has no usable
/// frame at all.
Result<Sums> sum_session(session::Reader& reader, const Progress& progress);

}  // namespace creel::report
