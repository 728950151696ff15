// Spectra in files of other programs, by open formats: ISO 22029, CSV, a data set of an HDF5 file.
#pragma once

#include <string>
#include <string_view>

#include "daemon/spectra/foreign.h"
#include "protocol/base/result.h"

namespace creel::report {

constexpr std::size_t kMostForeignBytes = 64'000'000;
constexpr std::size_t kMostForeignPoints = 1'000'000;

/// By the name: NAME.msa or .emsa (ISO 22029), NAME.csv or .txt, NAME.h5:/DATA or
/// NAME.h5:/DATA:/AXIS. Errors name the file, the line where there is one, what stands there and
/// what is allowed.
Result<analysis::ForeignSpectrum> read_spectrum(const std::string& name);

/// ISO 22029 text, versions 1.0 and 2.0: DATATYPE XY or Y, XUNITS eV or keV; the energies are those
/// of the channels' middles. Keywords that do not matter here are not looked at.
Result<analysis::ForeignSpectrum> parse_iso22029(std::string_view text, const std::string& name);

/// Lines of energy loss (eV, middle of the channel) and counts, separated by commas, semicolons,
/// tabs or spaces, with decimal points; further columns are not looked at. Lines that begin with #
/// and one line of column names are passed over.
Result<analysis::ForeignSpectrum> parse_csv(std::string_view text, const std::string& name);

/// A data set of one dimension. Its axis: the data set given, or the one that the attribute `axes`
/// of its group names (NeXus); energies of the channels' middles, in eV.
Result<analysis::ForeignSpectrum> read_hdf5_spectrum(const std::string& file,
                                                     const std::string& data,
                                                     const std::string& axis);

}  // namespace creel::report
