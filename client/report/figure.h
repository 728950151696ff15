// The figure of a session as a gnuplot script. Pure: text in, text out.
#pragma once

#include <string>
#include <string_view>

#include "client/report/drawing.h"
#include "client/report/sums.h"

namespace creel::report {

/// A gnuplot 5.4 script, data included, that draws `sums` into the file `output` of the current
/// directory (a plain name, ours). Panels: all channels (logarithmic counts); around the main edge
/// of the specimen, if the energy axis reaches one, with a band of one standard deviation; the mean
/// frame, if it has several rows.
std::string figure_script(const Sums& sums, Format format, std::string_view output);

}  // namespace creel::report
