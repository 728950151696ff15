#include "client/report/iso22029.h"

#include <algorithm>
#include <array>
#include <charconv>
#include <cmath>
#include <string_view>
#include <utility>

#include "protocol/base/text.h"

namespace creel::report {
namespace {

constexpr std::size_t kField = 13;      // keyword with padding and unit
constexpr std::size_t kMostText = 64;   // of TITLE and OWNER
constexpr std::size_t kMostValue = 65;  // 80 columns less field, colon and blank
constexpr std::size_t kMostOwn = kField - 2;

Error wrong(std::string text) {
  return {ErrorCode::invalid_request, "export: " + std::move(text)};
}

/// No locale; `digits` significant ones, or with 0 the shortest that reads back exactly.
std::string plain(double value, int digits) {
  std::array<char, 64> text{};
  const auto end = digits == 0 ? std::to_chars(text.begin(), text.end(), value)
                               : std::to_chars(text.begin(), text.end(), value,
                                               std::chars_format::general, digits);
  return {text.data(), end.ptr};
}

/// The format wants real numbers with a decimal point where integers are not asked for.
std::string real(double value) {
  const std::string text = plain(value, 9);
  return text.find_first_of(".e") == std::string::npos ? text + ".0" : text;
}

// --- Text in ASCII ------------------------------------------------------------------------------

struct Letter {
  char32_t code;
  const char* ascii;
};
constexpr std::array<Letter, 43> kLetters = {{
    {0xA0, " "},   {0xB0, "deg"}, {0xB1, "+-"},  {0xB2, "2"},    {0xB3, "3"},    {0xB5, "u"},
    {0xB7, "*"},   {0xC4, "Ae"},  {0xC5, "A"},   {0xC6, "AE"},   {0xC9, "E"},    {0xD6, "Oe"},
    {0xD7, "x"},   {0xD8, "O"},   {0xDC, "Ue"},  {0xDF, "ss"},   {0xE0, "a"},    {0xE1, "a"},
    {0xE4, "ae"},  {0xE5, "a"},   {0xE6, "ae"},  {0xE7, "c"},    {0xE8, "e"},    {0xE9, "e"},
    {0xEA, "e"},   {0xED, "i"},   {0xEE, "i"},   {0xF1, "n"},    {0xF3, "o"},    {0xF4, "o"},
    {0xF6, "oe"},  {0xF8, "o"},   {0xFA, "u"},   {0xFC, "ue"},   {0x3BC, "u"},   {0x2013, "-"},
    {0x2014, "-"}, {0x2018, "'"}, {0x2019, "'"}, {0x201C, "\""}, {0x201D, "\""}, {0x212B, "A"},
    {0x2212, "-"},
}};

/// The character at `at`, which then stands behind it; 0xFFFD for bytes that are no UTF-8.
char32_t next_character(std::string_view text, std::size_t& at) {
  const auto first = static_cast<unsigned char>(text[at++]);
  if (first < 0x80) {
    return first;
  }
  const int more = first >= 0xF0 ? 3 : first >= 0xE0 ? 2 : first >= 0xC2 ? 1 : 0;
  char32_t code = first & (0x3FU >> more);
  for (int i = 0; i < more; ++i) {
    if (at >= text.size() || (static_cast<unsigned char>(text[at]) & 0xC0U) != 0x80) {
      return 0xFFFD;
    }
    code = code << 6 | (static_cast<unsigned char>(text[at++]) & 0x3FU);
  }
  return more == 0 ? 0xFFFD : code;
}

/// Printable ASCII on one line.
std::string ascii(std::string_view text) {
  std::string out;
  for (std::size_t at = 0; at < text.size();) {
    const char32_t code = next_character(text, at);
    if (code < 0x80) {
      out += code < 0x20 || code == 0x7F ? ' ' : static_cast<char>(code);
      continue;
    }
    const auto* const found =
        std::find_if(kLetters.begin(), kLetters.end(),
                     [code](const Letter& letter) { return letter.code == code; });
    out += found == kLetters.end() ? "?" : found->ascii;
  }
  return out;
}

/// Up to the last non-blank.
std::string trimmed(std::string text) {
  text.erase(text.find_last_not_of(' ') + 1);
  return text;
}

// --- ISO 22029 ----------------------------------------------------------------------------------

/// "#BEAMKV   -kV: 200.0": the unit ends the field.
std::string line(const std::string& keyword, const std::string& unit, const std::string& value) {
  const std::string tail = unit.empty() ? "" : "-" + unit;
  std::string text = "#" + keyword;
  text.resize(kField - tail.size(), ' ');
  return trimmed(text + tail + ": " + value) + "\r\n";
}

std::string optional_line(const char* keyword, const char* unit,
                          const std::optional<double>& value) {
  return value ? line(keyword, unit, real(*value)) : "";
}

/// On as many lines as it takes, broken between words where there are any.
std::string long_line(const std::string& keyword, const std::string& unit,
                      const std::string& value) {
  std::string out;
  std::string left = trimmed(ascii(value));
  while (left.size() > kMostValue) {
    const std::size_t blank = left.rfind(' ', kMostValue);
    const std::size_t cut =
        blank == std::string::npos || blank < kMostValue / 2 ? kMostValue : blank;
    out += line(keyword, unit, left.substr(0, cut));
    left.erase(0, cut);
    left.erase(0, left.find_first_not_of(' '));
  }
  return out + line(keyword, unit, left);
}

std::string short_text(const std::string& given) {
  const std::string text = trimmed(ascii(given));
  return text.empty() ? "unknown" : trimmed(text.substr(0, kMostText));
}

/// "14-MAR-2026" and "20:50" from an RFC 3339 text in UTC.
std::string date_of(const std::string& utc) {
  constexpr std::array<const char*, 12> kMonths = {"JAN", "FEB", "MAR", "APR", "MAY", "JUN",
                                                   "JUL", "AUG", "SEP", "OCT", "NOV", "DEC"};
  const std::size_t tens = utc[5] == '1' ? 10 : 0;
  const auto ones = static_cast<std::size_t>(utc[6] - '0');
  return utc.substr(8, 2) + "-" + kMonths.at(tens + ones - 1) + "-" + utc.substr(0, 4);
}

bool good_remark(const Remark& remark) {
  const std::size_t tail = remark.unit.empty() ? 0 : remark.unit.size() + 1;
  const auto capital = [](char c) { return (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9'); };
  const auto printable = [](char c) { return c > ' ' && c < 0x7F && c != ':'; };
  return !remark.name.empty() && remark.name.size() + tail <= kMostOwn &&
         std::all_of(remark.name.begin(), remark.name.end(), capital) &&
         std::all_of(remark.unit.begin(), remark.unit.end(), printable);
}

/// What neither format can hold.
Result<void> check(const ExportedSpectrum& spectrum) {
  if (spectrum.counts.empty()) {
    return wrong("the spectrum has no channel");
  }
  if (!(spectrum.ev_per_channel > 0) || !std::isfinite(spectrum.ev_per_channel) ||
      !std::isfinite(spectrum.first_ev)) {
    return wrong("the energy axis begins at " + number(spectrum.first_ev) + " eV with " +
                 number(spectrum.ev_per_channel) +
                 " eV a channel; allowed: numbers, the second above zero");
  }
  if (!spectrum.sigma.empty() && spectrum.sigma.size() != spectrum.counts.size()) {
    return wrong("the spectrum has " + std::to_string(spectrum.counts.size()) + " channels and " +
                 std::to_string(spectrum.sigma.size()) + " standard deviations");
  }
  const auto bad = std::find_if(spectrum.counts.begin(), spectrum.counts.end(),
                                [](double count) { return !std::isfinite(count); });
  if (bad != spectrum.counts.end()) {
    return wrong("channel " + std::to_string(bad - spectrum.counts.begin()) +
                 " holds no finite number");
  }
  for (const Remark& remark : spectrum.remarks) {
    if (!good_remark(remark)) {
      return wrong("remark \"" + remark.name + "\" with unit \"" + remark.unit +
                   "\"; allowed: capital letters and digits, at most 11 characters together");
    }
  }
  return {};
}

double energy(const ExportedSpectrum& spectrum, std::size_t channel) {
  return spectrum.first_ev + static_cast<double>(channel) * spectrum.ev_per_channel;
}

std::string required_lines(const ExportedSpectrum& spectrum) {
  const std::string utc = utc_text(spectrum.start_utc_ns);
  return line("FORMAT", "", "EMSA/MAS Spectral Data File") + line("VERSION", "", "1.0") +
         line("TITLE", "", short_text(spectrum.title)) + line("DATE", "", date_of(utc)) +
         line("TIME", "", utc.substr(11, 5)) + line("OWNER", "", short_text(spectrum.owner)) +
         line("NPOINTS", "", std::to_string(spectrum.counts.size())) + line("NCOLUMNS", "", "1") +
         line("XUNITS", "", "eV") + line("YUNITS", "", short_text(spectrum.count_unit)) +
         line("DATATYPE", "", "XY") + line("XPERCHAN", "", real(spectrum.ev_per_channel)) +
         line("OFFSET", "", real(spectrum.first_ev));
}

std::string optional_lines(const ExportedSpectrum& spectrum) {
  std::string out =
      line("SIGNALTYPE", "", "ELS") + line("XLABEL", "", "energy loss") +
      line("YLABEL", "", "intensity") + optional_line("BEAMKV", "kV", spectrum.high_tension_kv) +
      optional_line("CONVANGLE", "mR", spectrum.convergence_mrad) +
      optional_line("COLLANGLE", "mR", spectrum.collection_mrad) +
      optional_line("THICKNESS", "nm", spectrum.thickness_nm) +
      optional_line("INTEGTIME", "ms", spectrum.exposure_ms) + line("ELSDET", "", "PARALL") +
      line("COMMENT", "", "DATE and TIME are UTC; X is the middle of each channel");
  if (trimmed(ascii(spectrum.title)).size() > kMostText) {
    out += long_line("#TITLE", "", spectrum.title);
  }
  for (const Remark& remark : spectrum.remarks) {
    out += long_line("#" + remark.name, remark.unit, remark.value);
  }
  return out;
}

// --- CSV ----------------------------------------------------------------------------------------

/// One comment line; line breaks in the value become blanks.
std::string comment(const std::string& name, const std::string& value) {
  std::string text = "# " + name + ": " + value;
  std::replace_if(
      text.begin(), text.end(), [](char c) { return c == '\n' || c == '\r'; }, ' ');
  return text + "\r\n";
}

std::string optional_comment(const std::string& name, const std::optional<double>& value) {
  return value ? comment(name, plain(*value, 0)) : "";
}

/// Quoted where RFC 4180 asks for it.
std::string quoted(const std::string& text) {
  if (text.find_first_of(",\"\r\n") == std::string::npos) {
    return text;
  }
  std::string out = "\"";
  for (const char c : text) {
    out += c == '"' ? "\"\"" : std::string(1, c);
  }
  return out + "\"";
}

std::string csv_head(const ExportedSpectrum& spectrum) {
  std::string out = spectrum.title.empty() ? "" : comment("title", spectrum.title);
  out += spectrum.owner.empty() ? "" : comment("owner", spectrum.owner);
  out += comment("start", utc_text(spectrum.start_utc_ns));
  out += optional_comment("high tension (kV)", spectrum.high_tension_kv);
  out += optional_comment("convergence semi-angle (mrad)", spectrum.convergence_mrad);
  out += optional_comment("collection semi-angle (mrad)", spectrum.collection_mrad);
  out += optional_comment("thickness (nm)", spectrum.thickness_nm);
  out += optional_comment("exposure (ms)", spectrum.exposure_ms);
  for (const Remark& remark : spectrum.remarks) {
    out +=
        comment(remark.name + (remark.unit.empty() ? "" : " (" + remark.unit + ")"), remark.value);
  }
  return out;
}

}  // namespace

Result<std::string> iso22029_text(const ExportedSpectrum& spectrum) {
  CREEL_TRY(check(spectrum));
  if (spectrum.counts.size() > kMostPoints) {
    return wrong("the spectrum has " + std::to_string(spectrum.counts.size()) +
                 " channels; ISO 22029 allows at most " + std::to_string(kMostPoints) +
                 ": export a part of it, or CSV");
  }
  std::string out = required_lines(spectrum) + optional_lines(spectrum) +
                    line("SPECTRUM", "", "energy loss in eV, intensity");
  for (std::size_t channel = 0; channel < spectrum.counts.size(); ++channel) {
    out += real(energy(spectrum, channel)) + ", " + real(spectrum.counts[channel]) + "\r\n";
  }
  return out + line("ENDOFDATA", "", "");
}

Result<std::string> csv_text(const ExportedSpectrum& spectrum) {
  CREEL_TRY(check(spectrum));
  std::string out = csv_head(spectrum);
  const bool errors = !spectrum.sigma.empty();
  out += "energy_loss_eV," + quoted(spectrum.count_unit) +
         (errors ? "," + quoted("sigma_" + spectrum.count_unit) : "") + "\r\n";
  for (std::size_t channel = 0; channel < spectrum.counts.size(); ++channel) {
    out += plain(energy(spectrum, channel), 0) + "," + plain(spectrum.counts[channel], 0);
    if (errors) {
      const double sigma = spectrum.sigma[channel];
      out += "," + (std::isfinite(sigma) ? plain(sigma, 0) : std::string());
    }
    out += "\r\n";
  }
  return out;
}

}  // namespace creel::report
