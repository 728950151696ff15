// Exported spectra against the published rules of the format, through a reader that knows only
// those rules and shares no code with the writer.
//
// The rules: EMSA/MAS Standard File Format for Spectral Data Exchange, version 1.0, October 1, 1991
// (R. F. Egerton, C. E. Fiori, J. A. Hunt, M. S. Isaacson, E. J. Kirkland, N. J. Zaluzec), which
// ISO 22029 took over: lines of at most 80 ASCII characters; "#", keyword, unit in the padding,
// thirteen characters in all, then ": "; required keywords first, in order; optional ones after;
// #SPECTRUM, data, #ENDOFDATA. CSV: RFC 4180.
#include "client/report/iso22029.h"

#include <gtest/gtest.h>

#include <clocale>
#include <cmath>
#include <cstdlib>
#include <limits>
#include <map>
#include <random>
#include <regex>
#include <set>
#include <sstream>

namespace creel::report {
namespace {

/// A file as a strict reader sees it; `fault` says the first rule that it breaks.
struct Read {
  std::string fault;
  std::vector<std::pair<std::string, std::string>> lines;  // keyword with unit, value
  std::vector<double> x, y;

  [[nodiscard]] std::string value(const std::string& keyword) const {
    for (const auto& [name, text] : lines) {
      if (name == keyword) {
        return text;
      }
    }
    return "(absent)";
  }
};

const std::vector<std::string> kRequired = {"FORMAT",   "VERSION",  "TITLE",    "DATE",   "TIME",
                                            "OWNER",    "NPOINTS",  "NCOLUMNS", "XUNITS", "YUNITS",
                                            "DATATYPE", "XPERCHAN", "OFFSET"};
const std::set<std::string> kOptional = {
    "SIGNALTYPE",   "XLABEL",       "YLABEL",       "CHOFFSET",     "COMMENT",
    "BEAMKV-kV",    "EMISSION-uA",  "PROBECUR-nA",  "BEAMDIAM-nm",  "MAGCAM",
    "CONVANGLE-mR", "COLLANGLE-mR", "OPERMODE",     "THICKNESS-nm", "XTILTSTGE-dg",
    "YTILTSTGE-dg", "DWELLTIME-ms", "INTEGTIME-ms", "ELSDET"};

/// Splits into lines; every one must end with CR LF and be printable ASCII of at most 80 columns.
std::vector<std::string> split(const std::string& text, std::string& fault) {
  std::vector<std::string> lines;
  std::size_t at = 0;
  while (at < text.size()) {
    const std::size_t end = text.find("\r\n", at);
    if (end == std::string::npos) {
      fault = "the last line does not end with CR LF";
      return lines;
    }
    lines.push_back(text.substr(at, end - at));
    for (const char c : lines.back()) {
      if (c < 0x20 || c > 0x7E) {
        fault = "line " + std::to_string(lines.size()) + " is not printable ASCII";
      }
    }
    if (lines.back().size() > 80) {
      fault = "line " + std::to_string(lines.size()) + " is longer than 80 columns";
    }
    at = end + 2;
  }
  return lines;
}

/// "#BEAMKV   -kV: 200.0" -> {"BEAMKV-kV", "200.0"}.
bool keyword_line(const std::string& line, std::pair<std::string, std::string>& out) {
  static const std::regex form("^#(.{12}):(?: (.*))?$");
  std::smatch found;
  if (!std::regex_match(line, found, form)) {
    return false;
  }
  static const std::regex field("^(#?[A-Za-z0-9]+) *(-[!-~]+)? *$");
  const std::string padded = found[1];
  std::smatch parts;
  if (!std::regex_match(padded, parts, field)) {
    return false;
  }
  std::string name = parts[1];
  for (char& c : name) {
    c = static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
  }
  out = {name + parts[2].str(), found[2]};
  return true;
}

bool is_number(const std::string& text, double& value) {
  static const std::regex form("^[+-]?[0-9]+(\\.[0-9]*)?([eE][+-]?[0-9]+)?$");
  value = std::strtod(text.c_str(), nullptr);
  return std::regex_match(text, form);
}

std::string head_fault(const Read& read) {
  for (std::size_t i = 0; i < kRequired.size(); ++i) {
    if (i >= read.lines.size() || read.lines[i].first != kRequired[i]) {
      return "required keyword " + kRequired[i] + " is not in its place";
    }
  }
  double ignored = 0;
  const auto matches = [&](const char* name, const char* form) {
    return std::regex_match(read.value(name), std::regex(form));
  };
  if (read.value("FORMAT") != "EMSA/MAS Spectral Data File") return "FORMAT";
  if (read.value("VERSION") != "1.0") return "VERSION";
  if (!matches("TITLE", ".{1,64}")) return "TITLE";
  if (!matches("OWNER", ".{1,64}")) return "OWNER";
  if (!matches("DATE", "[0-3][0-9]-(JAN|FEB|MAR|APR|MAY|JUN|JUL|AUG|SEP|OCT|NOV|DEC)-[0-9]{4}")) {
    return "DATE";
  }
  if (!matches("TIME", "([01][0-9]|2[0-3]):[0-5][0-9]")) return "TIME";
  if (!matches("NPOINTS", "[1-9][0-9]{0,3}") || std::stoi(read.value("NPOINTS")) > 4096) {
    return "NPOINTS";
  }
  if (!matches("NCOLUMNS", "[1-5]")) return "NCOLUMNS";
  if (!matches("XUNITS", ".+") || !matches("YUNITS", ".+")) return "units";
  if (!matches("DATATYPE", "XY|Y")) return "DATATYPE";
  if (!is_number(read.value("XPERCHAN"), ignored) || ignored <= 0) return "XPERCHAN";
  if (!is_number(read.value("OFFSET"), ignored)) return "OFFSET";
  for (std::size_t i = kRequired.size(); i < read.lines.size(); ++i) {
    const std::string& name = read.lines[i].first;
    if (name[0] != '#' && kOptional.count(name) == 0) {
      return "keyword " + name + " is neither published nor marked as one's own";
    }
  }
  for (const char* name :
       {"BEAMKV-kV", "CONVANGLE-mR", "COLLANGLE-mR", "INTEGTIME-ms", "THICKNESS-nm"}) {
    if (read.value(name) != "(absent)" && !is_number(read.value(name), ignored)) {
      return std::string(name) + " is no number";
    }
  }
  return "";
}

Read read_strictly(const std::string& text) {
  Read read;
  const auto lines = split(text, read.fault);
  std::size_t i = 0;
  std::pair<std::string, std::string> entry;
  for (; read.fault.empty() && i < lines.size(); ++i) {
    if (!keyword_line(lines[i], entry)) {
      read.fault = "line " + std::to_string(i + 1) + " is no keyword line: " + lines[i];
    } else if (entry.first == "SPECTRUM") {
      break;
    } else {
      read.lines.push_back(entry);
    }
  }
  if (read.fault.empty()) {
    read.fault = head_fault(read);
  }
  for (++i; read.fault.empty() && i < lines.size() && lines[i][0] != '#'; ++i) {
    static const std::regex form("^([^, ]+), ([^, ]+)$");
    std::smatch found;
    double x = 0;
    double y = 0;
    if (!std::regex_match(lines[i], found, form) || !is_number(found[1], x) ||
        !is_number(found[2], y)) {
      read.fault = "line " + std::to_string(i + 1) + " is no pair of numbers: " + lines[i];
    }
    read.x.push_back(x);
    read.y.push_back(y);
  }
  if (read.fault.empty() && read.x.size() != std::stoul(read.value("NPOINTS"))) {
    read.fault =
        "NPOINTS says " + read.value("NPOINTS") + ", there are " + std::to_string(read.x.size());
  }
  if (read.fault.empty() &&
      (i + 1 != lines.size() || !keyword_line(lines[i], entry) || entry.first != "ENDOFDATA")) {
    read.fault = "the last line is not ENDOFDATA";
  }
  return read;
}

ExportedSpectrum example() {
  ExportedSpectrum spectrum;
  spectrum.title = "Iron-gall ink film 7";
  spectrum.owner = "ink laboratory";
  spectrum.start_utc_ns = 1773521407'250'000'000;  // 2026-03-14T20:50:07.250Z
  spectrum.first_ev = 575.75;
  spectrum.ev_per_channel = 0.5;
  spectrum.counts = {12034.25, -3.5, 0, 1.0 / 3.0, 6.02214076e23};
  spectrum.sigma = {110, 2, 2, std::nan(""), 1};
  spectrum.high_tension_kv = 200;
  spectrum.collection_mrad = 10;
  spectrum.exposure_ms = 600000;
  spectrum.remarks = {{"SESSION", "", "ink-film-3"}, {"DOSE", "e/A2", "12.04"}};
  return spectrum;
}

Read written(const ExportedSpectrum& spectrum) {
  const auto text = iso22029_text(spectrum);
  EXPECT_TRUE(text.ok()) << text.error().text;
  Read read = read_strictly(text.ok() ? *text : "");
  EXPECT_EQ(read.fault, "");
  return read;
}

TEST(Iso22029, KeepsTheRulesAndSaysWhatIsKnown) {
  const Read read = written(example());
  EXPECT_EQ(read.value("TITLE"), "Iron-gall ink film 7");
  EXPECT_EQ(read.value("OWNER"), "ink laboratory");
  EXPECT_EQ(read.value("DATE"), "14-MAR-2026");
  EXPECT_EQ(read.value("TIME"), "20:50");
  EXPECT_EQ(read.value("XUNITS"), "eV");
  EXPECT_EQ(read.value("DATATYPE"), "XY");
  EXPECT_EQ(read.value("NCOLUMNS"), "1");
  EXPECT_EQ(read.value("XPERCHAN"), "0.5");
  EXPECT_EQ(read.value("OFFSET"), "575.75");
  EXPECT_EQ(read.value("SIGNALTYPE"), "ELS");
  EXPECT_EQ(read.value("ELSDET"), "PARALL");
  EXPECT_EQ(read.value("BEAMKV-kV"), "200.0");
  EXPECT_EQ(read.value("COLLANGLE-mR"), "10.0");
  EXPECT_EQ(read.value("INTEGTIME-ms"), "600000.0");
  EXPECT_EQ(read.value("#SESSION"), "ink-film-3");
  EXPECT_EQ(read.value("#DOSE-e/A2"), "12.04");
}

TEST(Iso22029, WhatIsUnknownIsLeftOut) {
  ExportedSpectrum spectrum = example();
  spectrum.title = spectrum.owner = "";
  spectrum.high_tension_kv.reset();
  spectrum.collection_mrad.reset();
  spectrum.exposure_ms.reset();
  const Read read = written(spectrum);
  EXPECT_EQ(read.value("TITLE"), "unknown");  // required, so the word stands there
  EXPECT_EQ(read.value("OWNER"), "unknown");
  for (const char* name : {"BEAMKV-kV", "CONVANGLE-mR", "COLLANGLE-mR", "INTEGTIME-ms",
                           "THICKNESS-nm", "EMISSION-uA", "PROBECUR-nA"}) {
    EXPECT_EQ(read.value(name), "(absent)") << name;
  }
}

TEST(Iso22029, NumbersComeBackToNineDigits) {
  ExportedSpectrum spectrum = example();
  spectrum.counts.clear();
  spectrum.sigma.clear();
  spectrum.first_ev = -24.0 + 0.05 / 2;
  spectrum.ev_per_channel = 0.05;
  std::mt19937_64 engine(3);
  std::uniform_real_distribution<double> exponent(-20, 20);
  std::uniform_real_distribution<double> sign(-1, 1);
  for (int i = 0; i < 4096; ++i) {
    spectrum.counts.push_back(std::copysign(std::pow(10.0, exponent(engine)), sign(engine)));
  }
  const Read read = written(spectrum);
  ASSERT_EQ(read.y.size(), 4096u);
  for (std::size_t i = 0; i < read.y.size(); ++i) {
    EXPECT_NEAR(read.y[i], spectrum.counts[i], 5e-9 * std::fabs(spectrum.counts[i]));
    const double x = spectrum.first_ev + 0.05 * static_cast<double>(i);
    EXPECT_NEAR(read.x[i], x, 5e-9 * std::fabs(x) + 1e-12);
  }
}

TEST(Iso22029, LettersBeyondAsciiAreWrittenAsPeopleDo) {
  ExportedSpectrum spectrum = example();
  spectrum.title = "Tinte \u00B5m-d\u00FCnn, 5 \u00C5, \u00DCber\u2013gang \u6F22\nzweite Zeile";
  spectrum.owner = "bad bytes \xFF\xC3";
  const Read read = written(spectrum);
  EXPECT_EQ(read.value("TITLE"), "Tinte um-duenn, 5 A, Ueber-gang ? zweite Zeile");
  EXPECT_EQ(read.value("OWNER"), "bad bytes ??");
}

TEST(Iso22029, LongTextsAreCutInTheTitleAndContinuedElsewhere) {
  ExportedSpectrum spectrum = example();
  std::string sentence;
  for (int i = 0; i < 40; ++i) {
    sentence += "word" + std::to_string(i) + " ";
  }
  spectrum.title = sentence;
  spectrum.remarks = {{"CHECKSUM2", "", std::string(200, 'x')}};
  const Read read = written(spectrum);
  EXPECT_EQ(read.value("TITLE"), sentence.substr(0, read.value("TITLE").size()));
  std::string whole;
  std::string checksum;
  for (const auto& [name, value] : read.lines) {
    whole += name == "#TITLE" ? value + " " : "";
    checksum += name == "#CHECKSUM2" ? value : "";
  }
  EXPECT_EQ(whole, sentence);
  EXPECT_EQ(checksum, std::string(200, 'x'));
}

TEST(Iso22029, ALocaleWithCommasChangesNothing) {
  const auto before = iso22029_text(example());
  const std::string old = std::setlocale(LC_ALL, nullptr);
  for (const char* name : {"de_DE.UTF-8", "de_DE.utf8", "C.UTF-8"}) {
    if (std::setlocale(LC_ALL, name) != nullptr) {
      EXPECT_EQ(*iso22029_text(example()), *before) << name;
      EXPECT_EQ(*csv_text(example()), *csv_text(example()));
    }
  }
  std::setlocale(LC_ALL, old.c_str());
}

/// The sentence with which a spectrum is refused; both formats unless it is only too long.
std::string refusal(const ExportedSpectrum& spectrum, bool csv_too = true) {
  const auto text = iso22029_text(spectrum);
  EXPECT_FALSE(text.ok());
  EXPECT_EQ(csv_text(spectrum).ok(), !csv_too);
  return text.ok() ? "" : text.error().text;
}

TEST(Iso22029, RefusesWhatItCannotHoldInOneSentence) {
  ExportedSpectrum spectrum = example();
  spectrum.counts.assign(4097, 1.0);
  spectrum.sigma.clear();
  EXPECT_NE(refusal(spectrum, false).find("4097"), std::string::npos);
  spectrum = example();
  spectrum.counts[2] = std::numeric_limits<double>::infinity();
  EXPECT_NE(refusal(spectrum).find("channel 2"), std::string::npos);
  spectrum = example();
  spectrum.ev_per_channel = -0.5;
  EXPECT_NE(refusal(spectrum).find("-0.5"), std::string::npos);
  spectrum = example();
  spectrum.sigma.pop_back();
  EXPECT_NE(refusal(spectrum).find("standard deviations"), std::string::npos);
  spectrum = example();
  spectrum.counts.clear();
  spectrum.sigma.clear();
  EXPECT_NE(refusal(spectrum).find("no channel"), std::string::npos);
  spectrum = example();
  spectrum.remarks = {{"LASERPOWER", "mW", "20"}};
  EXPECT_NE(refusal(spectrum).find("LASERPOWER"), std::string::npos);
  spectrum.remarks = {{"dose", "", "20"}};
  EXPECT_NE(refusal(spectrum).find("dose"), std::string::npos);
}

/// The first `from` of a text replaced.
std::string changed(std::string text, const std::string& from, const std::string& to) {
  const std::size_t at = text.find(from);
  EXPECT_NE(at, std::string::npos) << from;
  return text.replace(at, from.size(), to);
}

TEST(Iso22029, TheStrictReaderFindsEveryBrokenRule) {
  const std::string good = *iso22029_text(example());
  ASSERT_EQ(read_strictly(good).fault, "");
  const std::vector<std::pair<std::string, std::string>> breaks = {
      {"\r\n", "\n"},
      {"#VERSION     : 1.0", "#VERSION     : 2.0"},
      {"#VERSION     : 1.0\r\n", ""},
      {"#NPOINTS     : 5", "#NPOINTS     : 6"},
      {"#NPOINTS     :", "#NPOINTS    :"},
      {"14-MAR-2026", "2026-03-14"},
      {"20:50", "24:50"},
      {"#XPERCHAN    : 0.5", "#XPERCHAN    : 0,5"},
      {"#DATATYPE    : XY", "#DATATYPE    : YX"},
      {"##SESSION", "#SESSION "},
      {"575.75, 12034.25", "575.75 12034.25"},
      {"0.333333333", "nan"},
      {"#ENDOFDATA", "#ENDOFDAT "},
      {"ink laboratory", "ink l\xC3\xA4"},
      {"Iron-gall", std::string(80, 'x')}};
  for (const auto& [from, to] : breaks) {
    EXPECT_NE(read_strictly(changed(good, from, to)).fault, "") << from;
  }
  EXPECT_NE(read_strictly(good + "more\r\n").fault, "");
}

/// Fields of one record as RFC 4180 says.
std::vector<std::string> fields(const std::string& record) {
  std::vector<std::string> out(1);
  bool inside = false;
  for (std::size_t i = 0; i < record.size(); ++i) {
    if (record[i] == '"') {
      if (inside && i + 1 < record.size() && record[i + 1] == '"') {
        out.back() += record[i++];
      } else {
        inside = !inside;
      }
    } else if (record[i] == ',' && !inside) {
      out.emplace_back();
    } else {
      out.back() += record[i];
    }
  }
  return out;
}

TEST(Csv, ReadsBackExactlyWithItsHead) {
  ExportedSpectrum spectrum = example();
  spectrum.title = "\u00C4rger, \"zitiert\"\nzwei";
  const auto text = csv_text(spectrum);
  ASSERT_TRUE(text.ok());
  std::vector<std::string> lines;
  std::string fault;
  std::size_t at = 0;
  for (std::size_t end = text->find("\r\n"); end != std::string::npos;
       end = text->find("\r\n", at)) {
    lines.push_back(text->substr(at, end - at));
    at = end + 2;
  }
  EXPECT_EQ(at, text->size());
  std::size_t i = 0;
  std::set<std::string> told;
  while (lines.at(i).rfind("# ", 0) == 0) {
    told.insert(lines[i++]);
  }
  EXPECT_EQ(told.count("# title: \u00C4rger, \"zitiert\" zwei"), 1u);
  EXPECT_EQ(told.count("# start: 2026-03-14T20:50:07.250Z"), 1u);
  EXPECT_EQ(told.count("# high tension (kV): 200"), 1u);
  EXPECT_EQ(told.count("# DOSE (e/A2): 12.04"), 1u);
  for (const std::string& line : told) {
    EXPECT_EQ(line.find("convergence"), std::string::npos);  // unknown
  }
  EXPECT_EQ(fields(lines.at(i)),
            (std::vector<std::string>{"energy_loss_eV", "counts", "sigma_counts"}));
  ASSERT_EQ(lines.size() - i - 1, spectrum.counts.size());
  for (std::size_t channel = 0; channel < spectrum.counts.size(); ++channel) {
    const auto record = fields(lines[i + 1 + channel]);
    ASSERT_EQ(record.size(), 3u);
    EXPECT_EQ(std::strtod(record[0].c_str(), nullptr), 575.75 + 0.5 * static_cast<double>(channel));
    EXPECT_EQ(std::strtod(record[1].c_str(), nullptr), spectrum.counts[channel]);
    EXPECT_EQ(record[2].empty(), std::isnan(spectrum.sigma[channel]));
  }
}

TEST(Csv, AUnitWithACommaIsQuotedAndTwoColumnsDoWithoutErrors) {
  ExportedSpectrum spectrum = example();
  spectrum.count_unit = "counts, summed";
  spectrum.sigma.clear();
  const std::string text = *csv_text(spectrum);
  const std::size_t head = text.find("energy_loss_eV");
  ASSERT_NE(head, std::string::npos);
  EXPECT_EQ(fields(text.substr(head, text.find("\r\n", head) - head)),
            (std::vector<std::string>{"energy_loss_eV", "counts, summed"}));
}

}  // namespace
}  // namespace creel::report
