// The results of an evaluation as one HDF5 file in NeXus form: what was done, step by step, with
// which parameters, from which sessions, and the numbers and spectra that came out.
//
//   /entry                NXentry
//     inputs              NXcollection: one NXcollection a session (specimen, reference_1, ...)
//     process_1_spectra   NXprocess: program, version, date, sequence_index,
//       note              NXnote: parameters as JSON
//       results           NXnote: what came out, as JSON
//     process_2_...       and so on
//     edge, by_dose, single_losses   NXdata
//
// Source: the base classes NXentry, NXprocess, NXnote, NXdata of NeXus
// (https://manual.nexusformat.org). The same inputs give the same bytes: `date` is when the newest
// of the sessions began, not now, and HDF5 keeps no time stamps.
#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "client/report/evaluation_input.h"
#include "daemon/analysis/evaluate.h"

namespace creel::report {

struct ResultsInput {
  const SessionInput* specimen = nullptr;
  std::vector<const SessionInput*> references;  ///< in the order in which they were given
  std::string gain_path;                        ///< session of the gain reference; "" = none
  analysis::EvaluationOptions options;
  nlohmann::json results;  ///< as in the JSON file; its spectra are taken from the evaluation
};

/// What the options say, with units in the names.
nlohmann::json to_json(const analysis::EvaluationOptions& options);

/// The bytes of the file. storage_failed when HDF5 cannot make it (no memory).
Result<std::string> results_file(const analysis::Evaluation& evaluation, const ResultsInput& input);

}  // namespace creel::report
