// One spectrum as text that other programs read: ISO 22029 (EMSA/MAS), and CSV (RFC 4180). Pure
// functions: no file, no clock. Any thread.
//
// ISO 22029: "EMSA/MAS Spectral Data File", version 1.0 of 1991 (R. F. Egerton, C. E. Fiori, J. A.
// Hunt, M. S. Isaacson, E. J. Kirkland, N. J. Zaluzec), which ISO 22029:2003 took over and its
// later editions extended. Of all that the format allows, this is the part that every reader knows:
// one spectrum a file, DATATYPE XY with one pair a line, CR LF, at most 80 columns of printable
// ASCII, a decimal point whatever the locale, parallel EELS. Whatever has no keyword there goes to
// keywords of our own, which begin with ## as the format asks. No CHECKSUM: it is optional and its
// rule differs between editions.
//
// Nothing is invented: a value that is not known is left out. The two texts that the format
// requires (TITLE, OWNER) say "unknown" then.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "protocol/base/result.h"

namespace creel::report {

/// A line of its own about the spectrum: dose, laser, session, checksum ...
struct Remark {
  std::string name;   ///< A-Z and 0-9, at most 11 characters with the unit and its hyphen: "DOSE"
  std::string unit;   ///< ASCII, "" = none: "e/A2"
  std::string value;  ///< any UTF-8; long ones continue on further lines of the same name
};

/// A spectrum and what is known about it. Optional ones are left out where nothing is known.
struct ExportedSpectrum {
  std::string title;              ///< UTF-8; "" = unknown
  std::string owner;              ///< UTF-8; "" = unknown
  std::int64_t start_utc_ns = 0;  ///< when its first frame began, ns since 1970-01-01T00:00:00Z
  double first_ev = 0;            ///< energy loss at the middle of the first channel
  double ev_per_channel = 0;      ///< > 0
  std::vector<double> counts;     ///< finite; at least one; ISO 22029: at most kMostPoints
  std::vector<double> sigma;  ///< one standard deviation; empty or as long; only CSV has a column
  std::string count_unit = "counts";  ///< of counts: "counts", "electrons"
  std::optional<double> high_tension_kv;
  std::optional<double> convergence_mrad;  ///< semi-angles
  std::optional<double> collection_mrad;
  std::optional<double> exposure_ms;  ///< of all frames summed
  std::optional<double> thickness_nm;
  std::vector<Remark> remarks;
};

constexpr std::size_t kMostPoints = 4096;  ///< of one spectrum in ISO 22029 1.0

/// The file's text. Letters beyond ASCII are written as people do without them (ä as ae, µ as u, Å
/// as A), others as "?". A title longer than 64 characters is cut there and stands whole in remarks
/// ##TITLE. Numbers have nine significant digits. invalid_request, one sentence, for a spectrum
/// that cannot be written so.
Result<std::string> iso22029_text(const ExportedSpectrum& spectrum);

/// Lines that begin with "# ", one for each thing known, then the line of column names with units,
/// then one line a channel: energy loss in eV, counts, and sigma where there is one (empty where it
/// is no number). UTF-8, CR LF, shortest numbers that read back exactly. Errors as above, but of
/// any length.
Result<std::string> csv_text(const ExportedSpectrum& spectrum);

}  // namespace creel::report
