// A session's sum spectrum with all that is known about it, ready for ISO 22029 and CSV.
#pragma once

#include "client/report/iso22029.h"
#include "client/report/sums.h"
#include "protocol/session/reader.h"

namespace creel::report {

/// The sum that `sum_session` makes, and its remarks. Errors as there; refused when the session
/// does not say its energy axis.
Result<ExportedSpectrum> spectrum_to_export(session::Reader& reader, const Progress& progress);

}  // namespace creel::report
