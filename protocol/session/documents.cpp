#include "protocol/session/documents.h"

#include <algorithm>
#include <array>
#include <cstdio>
#include <span>

#include "protocol/base/crc32c.h"
#include "protocol/session/paths.h"

namespace creel::session {

namespace {

using nlohmann::json;

constexpr std::uint64_t kMostFrames = 1ULL << 40;

void strip(std::string& text) {
  text.resize(text.find_last_not_of('\0') + 1);
}

bool checksum_holds(const H5::DataSet& set, const std::string& text) {
  if (!set.attrExists("checksum")) {
    return false;
  }
  const auto attribute = set.openAttribute("checksum");
  const auto type = attribute.getDataType();
  std::array<char, 9> found{};
  if (type.getClass() != H5T_STRING || type.isVariableStr() || type.getSize() != 8 ||
      attribute.getSpace().getSimpleExtentNpoints() != 1) {
    return false;
  }
  attribute.read(type, found.data());
  std::array<char, 16> expected{};
  std::snprintf(expected.data(), expected.size(), "%08x", crc32c(std::as_bytes(std::span(text))));
  return std::string_view(found.data()) == expected.data();
}

const json& field(const json& object, const char* key) {
  const auto found = object.find(key);
  if (found == object.end()) {
    throw Hdf5Fault(std::string(kPathSession) + " has no \"" + key + "\"");
  }
  return *found;
}

std::uint64_t whole_number(const json& object, const char* key, std::uint64_t most) {
  const auto& value = field(object, key);
  if (!value.is_number_unsigned() || value.get<std::uint64_t>() > most) {
    throw Hdf5Fault(std::string(kPathSession) + ": \"" + key + "\" is " + value.dump() +
                    " instead of a whole number up to " + std::to_string(most));
  }
  return value.get<std::uint64_t>();
}

std::int64_t time(const json& object, const char* key) {
  const auto& value = field(object, key);
  if (!value.is_number_integer()) {
    throw Hdf5Fault(std::string(kPathSession) + ": \"" + key + "\" is not a time");
  }
  return value.get<std::int64_t>();
}

FrameShape shape_of(const json& object) {
  FrameShape shape;
  shape.rows = static_cast<std::uint32_t>(whole_number(object, "rows", kLargestFrame));
  shape.columns = static_cast<std::uint32_t>(whole_number(object, "columns", kLargestFrame));
  const auto& pixel = field(object, "pixel");
  const auto known = pixel.is_string() ? pixel_from(pixel.get<std::string>()) : std::nullopt;
  shape.pixel = known.value_or(Pixel::u8);
  if (shape.lists_events()) {
    shape.most_events =
        static_cast<std::uint32_t>(whole_number(object, "most_events", kMostEvents));
  }
  if (!known || !possible(shape)) {
    throw Hdf5Fault(std::string(kPathSession) + ": no possible shape of a frame");
  }
  return shape;
}

Codec codec_in(const json& object) {
  const auto& name = field(object, "codec");
  const auto known = name.is_string() ? codec_from(name.get<std::string>()) : std::nullopt;
  if (!known) {
    throw Hdf5Fault(std::string(kPathSession) + ": \"codec\" is " + name.dump() +
                    " instead of \"none\", \"deflate\" or \"bitshuffle-lz4\"");
  }
  return *known;
}

bool inside(std::uint64_t offset, std::uint64_t bytes, std::uint64_t file) {
  return offset <= file && bytes <= file - offset;
}

PieceLayout layout_of(const json& object, const FrameShape& shape) {
  constexpr std::uint64_t kMost = 1ULL << 60;
  PieceLayout layout;
  layout.capacity = whole_number(object, "capacity", kMostFrames);
  layout.frames_offset = whole_number(object, "frames_offset", kMost);
  layout.record_offset = whole_number(object, "record_offset", kMost);
  layout.valid_offset = whole_number(object, "valid_offset", kMost);
  layout.bytes = whole_number(object, "bytes", kMost);
  layout.head_crc = static_cast<std::uint32_t>(whole_number(object, "head_crc", 0xFFFFFFFFULL));
  if (layout.capacity == 0 || layout.capacity > kMost / shape.bytes() ||
      !inside(layout.frames_offset, layout.capacity * shape.bytes(), layout.bytes) ||
      !inside(layout.record_offset, layout.capacity * sizeof(Record), layout.bytes) ||
      !inside(layout.valid_offset, sizeof(std::uint64_t), layout.bytes)) {
    throw Hdf5Fault(std::string(kPathSession) + ": no possible layout of a piece");
  }
  return layout;
}

std::string read_document(const H5::H5File& file, const char* path, std::vector<Fault>& faults) {
  bool intact = false;
  auto text = read_text(file, path, &intact);
  if (!intact) {
    faults.push_back({FaultKind::document, path, "the document does not match its checksum"});
  }
  return text;
}

}  // namespace

std::string read_text(const H5::H5File& file, const std::string& path, bool* intact,
                      std::size_t most) {
  const auto set = file.openDataSet(path);
  const auto type = set.getDataType();
  if (type.getClass() != H5T_STRING || type.isVariableStr() ||
      set.getSpace().getSimpleExtentNpoints() != 1 || type.getSize() > most) {
    throw Hdf5Fault(path + " is not a text of at most " + std::to_string(most >> 20U) + " MiB");
  }
  std::string text(type.getSize(), '\0');
  set.read(text.data(), type);
  strip(text);
  if (intact != nullptr) {
    *intact = checksum_holds(set, text);
  }
  return text;
}

bool path_exists(const H5::H5File& file, const std::string& path) {
  for (std::size_t end = 1; end < path.size();) {
    end = std::min(path.find('/', end), path.size());
    if (!file.nameExists(path.substr(0, end))) {
      return false;
    }
    end += 1;
  }
  return true;
}

ReadDocuments read_documents(const H5::H5File& file) {
  bool intact = false;
  const auto text = read_text(file, kPathSession, &intact);
  const auto all = json::parse(text, nullptr, false);
  if (!intact || !all.is_object()) {
    throw Hdf5Fault(std::string(kPathSession) + " does not match its checksum");
  }
  ReadDocuments read;
  auto& documents = read.documents;
  documents.format = static_cast<int>(whole_number(all, "format", 1000000));
  if (documents.format > kFormat) {
    throw Hdf5Fault("was written in session format " + std::to_string(documents.format) +
                    "; this program knows formats up to " + std::to_string(kFormat));
  }
  documents.name = field(all, "name").is_string() ? all["name"].get<std::string>() : "";
  documents.shape = shape_of(all);
  documents.codec = codec_in(all);
  documents.frames_planned = whole_number(all, "frames_planned", ~0ULL);
  documents.start_utc_ns = time(all, "start_utc_ns");
  documents.start_world_ns = time(all, "start_world_ns");
  documents.devices = field(all, "devices");
  documents.software = field(all, "software");
  for (const auto& dose : field(all, "area_dose_before")) {
    documents.area_dose_before.push_back(dose.is_number() ? dose.get<double>() : 0.0);
  }
  documents.series_text = read_document(file, kPathSeries, read.faults);
  documents.rig_text = read_document(file, kPathRig, read.faults);
  if (all.contains("pieces")) {
    read.layout = layout_of(all["pieces"], documents.shape);
  }
  if (path_exists(file, kPathSummary)) {
    documents.summary = json::parse(read_document(file, kPathSummary, read.faults), nullptr, false);
  }
  return read;
}

}  // namespace creel::session
