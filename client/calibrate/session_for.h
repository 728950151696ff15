// From a recorded session to the record of a calibration.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "client/calibrate/folder.h"
#include "client/report/session_parts.h"
#include "daemon/calibration/beam.h"
#include "daemon/calibration/edge_table.h"
#include "protocol/base/result.h"
#include "protocol/series/calibration.h"
#include "protocol/session/reader.h"

namespace creel::calibrate {

/// What a person says that frames do not.
struct EvaluationOptions {
  std::string table;                  ///< "xraylib", "booklet", "maxima"; "" = see `features`
  std::vector<std::string> features;  ///< "C K", or with an energy of the person's own,
                                      ///< "Fe L3 maximum=707.8+-0.2"
  std::string features_from;          ///< where own energies are known from: their table
  double edge_sigma_ev = 1.5;         ///< of energies from a table
  std::optional<double> current_pa, current_sigma_pa;
  std::optional<double> lit_diameter_nm, lit_sigma_nm;
  bool gaussian = false;  ///< the typed size is the full width of a Gaussian
  double settled_within = 0.005;
  std::optional<double> valid_h;
};

/// Evaluates a session for a kind; `shelf` has the calibrations that it may build on (photon
/// transfer for the noise, the beam's profile for the dose rate ...). Errors say what the session
/// lacks.
Result<Calibration> evaluate_session(std::string_view kind, session::Reader& reader,
                                     const Shelf& shelf, const EvaluationOptions& options,
                                     const std::string& program, const report::Progress& progress);

/// Kinds that need no frames: the dose rate from a typed current, the profile from a typed size.
/// `series` says rig-independent things (microscope settings). refused: nothing was typed.
Result<Calibration> evaluate_typed(std::string_view kind, const std::string& rig,
                                   const Series& series, std::int64_t now_utc_ns,
                                   const Shelf& shelf, const EvaluationOptions& options,
                                   const std::string& program);

}  // namespace creel::calibrate
