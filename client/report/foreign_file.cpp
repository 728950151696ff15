#include "client/report/foreign_file.h"

#include <H5Cpp.h>

#include <algorithm>
#include <cctype>
#include <charconv>
#include <cmath>
#include <fstream>
#include <map>
#include <optional>
#include <vector>

#include "protocol/base/text.h"

namespace creel::report {

namespace {

using analysis::ForeignSpectrum;

Error wrong(const std::string& name, const std::string& what) {
  return {ErrorCode::invalid_request, name + ": " + what};
}

std::string_view trimmed(std::string_view text) {
  const auto blank = [](char c) { return c == ' ' || c == '\t' || c == '\r'; };
  while (!text.empty() && blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && blank(text.back())) text.remove_suffix(1);
  return text;
}

std::string upper(std::string_view text) {
  std::string out(text);
  std::transform(out.begin(), out.end(), out.begin(),
                 [](unsigned char c) { return static_cast<char>(std::toupper(c)); });
  return out;
}

std::optional<double> number_in(std::string_view text) {
  text = trimmed(text);
  if (!text.empty() && text.front() == '+') text.remove_prefix(1);
  double value = 0;
  const auto [end, failed] = std::from_chars(text.data(), text.data() + text.size(), value);
  const bool whole = failed == std::errc() && end == text.data() + text.size();
  return whole && std::isfinite(value) ? std::optional(value) : std::nullopt;
}

/// Words between commas, semicolons, tabs and spaces.
std::vector<std::string_view> words_of(std::string_view line) {
  std::vector<std::string_view> words;
  std::size_t at = 0;
  while (at < line.size()) {
    const auto begin = line.find_first_not_of(",; \t\r", at);
    if (begin == std::string_view::npos) break;
    const auto end = std::min(line.find_first_of(",; \t\r", begin), line.size());
    words.push_back(line.substr(begin, end - begin));
    at = end;
  }
  return words;
}

/// Calls visit(number of the line, line); stops at the first error.
template <class Visit>
Result<void> each_line(std::string_view text, Visit&& visit) {
  std::size_t at = 0;
  for (std::size_t line = 1; at < text.size(); ++line) {
    const auto end = std::min(text.find('\n', at), text.size());
    CREEL_TRY(visit(line, text.substr(at, end - at)));
    at = end + 1;
  }
  return {};
}

/// From the middles of the channels to an even axis.
Result<ForeignSpectrum> on_even_axis(const std::string& name, const std::vector<double>& energies,
                                     std::vector<double> counts) {
  if (energies.size() < 16 || energies.size() != counts.size()) {
    return wrong(name, std::to_string(energies.size()) + " energies and " +
                           std::to_string(counts.size()) + " counts; at least 16 of each");
  }
  const auto last = static_cast<double>(energies.size() - 1);
  const double step = (energies.back() - energies.front()) / last;
  if (!(step > 0)) {
    return wrong(name, "the energies must rise");
  }
  for (std::size_t i = 0; i < energies.size(); ++i) {
    const double off = energies[i] - (energies.front() + static_cast<double>(i) * step);
    if (!(std::fabs(off) < 0.02 * step)) {
      return wrong(name, "the energies are not even: number " + std::to_string(i + 1) + " is " +
                             number(energies[i], 8) + " eV, " + number(off / step, 3) +
                             " channels off; only even axes can be evaluated");
    }
  }
  return ForeignSpectrum{
      name, {energies.front() - 0.5 * step, step, counts.size()}, std::move(counts)};
}

/// What the header of an ISO 22029 file says that matters here.
struct Header {
  std::map<std::string, std::string> values;
  [[nodiscard]] std::string get(const std::string& keyword, const std::string& otherwise) const {
    const auto found = values.find(keyword);
    return found == values.end() ? otherwise : found->second;
  }
};

/// "#XPERCHAN -eV : 0.5" -> XPERCHAN, 0.5
void take_header(std::string_view line, Header& header) {
  const auto colon = line.find(':');
  if (colon == std::string_view::npos) return;
  std::string_view keyword = trimmed(line.substr(1, colon - 1));
  keyword = keyword.substr(0, keyword.find_first_of(" -\t"));
  header.values.try_emplace(upper(keyword), std::string(trimmed(line.substr(colon + 1))));
}

Result<double> header_number(const Header& header, const std::string& name,
                             const std::string& keyword) {
  const std::string text = header.get(keyword, "");
  const auto value = number_in(text);
  if (!value) {
    return wrong(name, "#" + keyword + " is \"" + text.substr(0, 40) + "\"; must be a number");
  }
  return *value;
}

Result<ForeignSpectrum> from_iso(const Header& header, const std::string& name,
                                 const std::vector<double>& values) {
  const std::string kind = upper(header.get("DATATYPE", ""));
  if (kind != "XY" && kind != "Y") {
    return wrong(name, "#DATATYPE is \"" + kind.substr(0, 40) + "\"; must be XY or Y");
  }
  const std::string unit = upper(header.get("XUNITS", "EV"));
  if (unit != "EV" && unit != "KEV") {
    return wrong(name, "#XUNITS is \"" + unit.substr(0, 40) + "\"; must be eV or keV");
  }
  const double scale = unit == "KEV" ? 1000 : 1;
  std::vector<double> energies, counts;
  if (kind == "XY") {
    for (std::size_t i = 0; i + 1 < values.size(); i += 2) {
      energies.push_back(scale * values[i]);
      counts.push_back(values[i + 1]);
    }
  } else {
    const auto step = header_number(header, name, "XPERCHAN");
    const auto first = header_number(header, name, "OFFSET");
    if (!step) return step.error();
    if (!first) return first.error();
    counts = values;
    for (std::size_t i = 0; i < counts.size(); ++i) {
      energies.push_back(scale * (*first + static_cast<double>(i) * *step));
    }
  }
  const auto points = header_number(header, name, "NPOINTS");
  if (!points) return points.error();
  if (static_cast<double>(counts.size()) != *points) {
    return wrong(name, "#NPOINTS says " + number(*points, 8) + ", the file holds " +
                           std::to_string(counts.size()) + " points: it may be cut off");
  }
  return on_even_axis(name, energies, std::move(counts));
}

Result<std::string> whole_file(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  if (!file) {
    return wrong(path, "cannot be opened");
  }
  std::string text(kMostForeignBytes + 1, '\0');
  file.read(text.data(), static_cast<std::streamsize>(text.size()));
  text.resize(static_cast<std::size_t>(file.gcount()));
  if (text.size() > kMostForeignBytes) {
    return wrong(path, "is larger than " + std::to_string(kMostForeignBytes) + " bytes");
  }
  return text;
}

Result<std::vector<double>> read_row(const H5::H5File& file, const std::string& path,
                                     const std::string& name) {
  const H5::DataSet data = file.openDataSet(path);
  const H5::DataSpace space = data.getSpace();
  const auto size = space.getSimpleExtentNpoints();
  if (space.getSimpleExtentNdims() != 1 || size > static_cast<hssize_t>(kMostForeignPoints)) {
    return wrong(name, path + " has " + std::to_string(space.getSimpleExtentNdims()) +
                           " dimensions and " + std::to_string(size) +
                           " values; must be one row of at most " +
                           std::to_string(kMostForeignPoints));
  }
  std::vector<double> values(static_cast<std::size_t>(size));
  data.read(values.data(), H5::PredType::NATIVE_DOUBLE);
  return values;
}

/// NXdata names its axis in an attribute of the group.
std::string axis_of(const H5::H5File& file, const std::string& data) {
  const auto slash = data.rfind('/');
  const std::string folder = slash == 0 || slash == std::string::npos ? "/" : data.substr(0, slash);
  const H5::Group group = file.openGroup(folder);
  if (!group.attrExists("axes")) {
    return "";
  }
  const H5::Attribute attribute = group.openAttribute("axes");
  std::string axis;
  if (attribute.getSpace().getSimpleExtentNpoints() == 1) {
    attribute.read(attribute.getStrType(), axis);
  }
  axis = axis.c_str();  // fixed strings come with their padding
  return axis.empty() ? "" : folder + (folder == "/" ? "" : "/") + axis;
}

}  // namespace

Result<ForeignSpectrum> parse_iso22029(std::string_view text, const std::string& name) {
  Header header;
  std::vector<double> values;
  bool data = false;
  bool ended = false;
  CREEL_TRY(each_line(text, [&](std::size_t number, std::string_view line) -> Result<void> {
    line = trimmed(line);
    if (line.empty() || ended) return {};
    if (line.front() == '#') {
      const std::string keyword = upper(line.substr(1, 9));
      ended = keyword == "ENDOFDATA";
      data = data || keyword.starts_with("SPECTRUM");
      if (!data) take_header(line, header);
      return {};
    }
    if (!data) {
      return wrong(name, "line " + std::to_string(number) + " is \"" +
                             std::string(line.substr(0, 40)) +
                             "\"; before #SPECTRUM every line begins with #");
    }
    for (const std::string_view word : words_of(line)) {
      const auto value = number_in(word);
      if (!value || values.size() > 2 * kMostForeignPoints) {
        return wrong(name, "line " + std::to_string(number) + ": \"" +
                               std::string(word.substr(0, 40)) + "\" is no number");
      }
      values.push_back(*value);
    }
    return {};
  }));
  if (header.values.empty() || !data) {
    return wrong(name, "no ISO 22029 (EMSA/MAS) spectrum: #FORMAT and #SPECTRUM are missing");
  }
  if (!ended) {
    return wrong(name, "#ENDOFDATA is missing: the file may be cut off");
  }
  return from_iso(header, name, values);
}

Result<ForeignSpectrum> parse_csv(std::string_view text, const std::string& name) {
  std::vector<double> energies, counts;
  bool names_seen = false;
  CREEL_TRY(each_line(text, [&](std::size_t number, std::string_view line) -> Result<void> {
    line = trimmed(line);
    if (line.empty() || line.front() == '#') return {};
    const auto words = words_of(line);
    const auto energy = words.empty() ? std::nullopt : number_in(words[0]);
    const auto count = words.size() < 2 ? std::nullopt : number_in(words[1]);
    if (energy && count && energies.size() < kMostForeignPoints) {
      energies.push_back(*energy);
      counts.push_back(*count);
      return {};
    }
    if (energies.empty() && !names_seen) {
      names_seen = true;
      return {};
    }
    return wrong(name, "line " + std::to_string(number) + " is \"" +
                           std::string(line.substr(0, 40)) +
                           "\"; must be an energy in eV and counts");
  }));
  return on_even_axis(name, energies, std::move(counts));
}

Result<ForeignSpectrum> read_hdf5_spectrum(const std::string& file, const std::string& data,
                                           const std::string& axis) {
  const std::string name = file + ":" + data;
  try {
    H5::Exception::dontPrint();
    const H5::H5File opened(file, H5F_ACC_RDONLY);
    auto counts = read_row(opened, data, name);
    if (!counts) return counts.error();
    const std::string where = axis.empty() ? axis_of(opened, data) : axis;
    if (where.empty()) {
      return wrong(name, "it names no axis; give it as " + name + ":/AXIS");
    }
    const auto energies = read_row(opened, where, name);
    if (!energies) return energies.error();
    return on_even_axis(name, *energies, std::move(*counts));
  } catch (const H5::Exception& failed) {
    return wrong(name, "cannot be read as HDF5: " + failed.getDetailMsg());
  }
}

Result<ForeignSpectrum> read_spectrum(const std::string& name) {
  const auto colon = name.find(":/");
  if (colon != std::string::npos) {
    const std::string inside = name.substr(colon + 1);
    const auto second = inside.find(":/");
    return read_hdf5_spectrum(name.substr(0, colon), inside.substr(0, second),
                              second == std::string::npos ? "" : inside.substr(second + 1));
  }
  const std::string ending = upper(name.substr(std::min(name.rfind('.'), name.size())));
  const bool iso = ending == ".MSA" || ending == ".EMSA";
  if (!iso && ending != ".CSV" && ending != ".TXT") {
    return wrong(name, "must be .msa or .emsa (ISO 22029), .csv, .txt, or FILE.h5:/DATA");
  }
  const auto text = whole_file(name);
  if (!text) return text.error();
  return iso ? parse_iso22029(*text, name) : parse_csv(*text, name);
}

}  // namespace creel::report
