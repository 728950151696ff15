#include "daemon/grids/grid_map.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <span>
#include <string_view>
#include <utility>

#include "protocol/base/crc32c.h"
#include "protocol/base/text.h"
#include "protocol/session/layout.h"
#include "protocol/session/reader.h"

namespace creel {

using nlohmann::json;

namespace {

constexpr std::size_t kMostName = 63;
constexpr std::size_t kMostText = 4096;
constexpr double kMostUm = 10'000;  // a grid is some 3 mm across

Error wrong(std::string text) {
  return {ErrorCode::invalid_request, std::move(text)};
}

/// As "plain_name" in protocol/series/series.schema.json: a series must be able to name it.
Result<void> check_name(const std::string& what, const std::string& name) {
  const auto plain = [](char c) {
    return (c >= 'A' && c <= 'Z') || (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9');
  };
  const bool good = !name.empty() && name.size() <= kMostName && plain(name.front()) &&
                    std::all_of(name.begin(), name.end(), [&](char c) {
                      return plain(c) || c == '.' || c == '_' || c == '-';
                    });
  return good ? Result<void>()
              : wrong(what + ": got \"" + name +
                      "\"; must be of letters, digits, . _ and -, beginning with a letter or "
                      "digit, at most 63 characters");
}

Result<void> check_place(const std::string& what, MapPoint at) {
  const auto fits = [](double um) { return std::isfinite(um) && std::abs(um) <= kMostUm; };
  return fits(at.x_um) && fits(at.y_um)
             ? Result<void>()
             : wrong(what + ": got (" + number(at.x_um) + ", " + number(at.y_um) +
                     ") um; a grid lies within 10 mm of its origin");
}

MapPoint point_in(const json& object, const char* x, const char* y) {
  return {object.value(x, 0.0), object.value(y, 0.0)};
}

json outline_json(const std::vector<MapPoint>& outline) {
  json points = json::array();
  for (const MapPoint& point : outline) {
    points.push_back({point.x_um, point.y_um});
  }
  return points;
}

json loading_json(const Alignment& alignment) {
  return {{"rotation_deg", alignment.rotation_deg}, {"flipped", alignment.flipped},
          {"shift_x_um", alignment.shift.x_um},     {"shift_y_um", alignment.shift.y_um},
          {"residual_um", alignment.residual_um},   {"scale", alignment.scale}};
}

MapArea area_from(const json& entry) {
  MapArea area;
  area.grid = entry.value("grid", "");
  area.name = entry.value("name", "");
  area.square = entry.value("square", "");
  area.note = entry.value("note", "");
  area.at = point_in(entry, "x_um", "y_um");
  if (entry.contains("diameter_nm") && entry["diameter_nm"].is_number()) {
    area.diameter_nm = entry["diameter_nm"].get<double>();
  }
  for (const json& point : entry.value("outline_um", json::array())) {
    area.outline.push_back({point.at(0).get<double>(), point.at(1).get<double>()});
  }
  return area;
}

MapLoading loading_from(const json& entry) {
  MapLoading loading;
  loading.utc = entry.value("utc", "");
  loading.alignment.rotation_deg = entry.value("rotation_deg", 0.0);
  loading.alignment.flipped = entry.value("flipped", false);
  loading.alignment.shift = point_in(entry, "shift_x_um", "shift_y_um");
  loading.alignment.residual_um = entry.value("residual_um", 0.0);
  loading.alignment.scale = entry.value("scale", 1.0);
  for (const json& pair : entry.value("pairs", json::array())) {
    loading.alignment.left_um.push_back(pair.value("left_um", 0.0));
  }
  return loading;
}

/// By what the file begins with: PNG (ISO/IEC 15948), JPEG (ITU-T T.81), TIFF 6.0. "" = none.
std::string picture_kind(const std::string& bytes) {
  if (bytes.starts_with("\x89PNG\r\n\x1a\n")) {
    return "png";
  }
  if (bytes.starts_with("\xff\xd8\xff")) {
    return "jpg";
  }
  using namespace std::string_literals;
  return bytes.starts_with("II*\0"s) || bytes.starts_with("MM\0*"s) ? "tif" : "";
}

std::string hex(std::uint32_t value) {
  std::array<char, 9> text{};
  std::snprintf(text.data(), text.size(), "%08x", value);
  return text.data();
}

}  // namespace

GridMap::GridMap(Disk& disk, const Clock& clock, std::string directory)
    : disk_(disk), clock_(clock), directory_(std::move(directory)) {}

Result<std::unique_ptr<GridMap>> GridMap::open(Disk& disk, const Clock& clock,
                                               const std::string& directory) {
  std::unique_ptr<GridMap> map(new GridMap(disk, clock, directory));
  CREEL_TRY(disk.create_directories(directory + "/pictures"));
  auto log = store::EventFile::open(disk, directory);
  if (!log.ok()) {
    return log.error().during("the map of grids");
  }
  map->log_ = std::move(*log);
  CREEL_TRY(disk.sync_directory(directory));
  CREEL_TRY(disk.sync_directory(directory.substr(0, directory.rfind('/'))));
  auto text = read_all(disk, directory + "/" + session::kEventsName);
  if (!text.ok()) {
    return text.error();
  }
  const auto entries = session::parse_event_log(*text);
  if (!entries.bad_lines.empty()) {
    return Error{ErrorCode::corrupt, "the map of grids " + directory + "/" + session::kEventsName +
                                         ", line " + std::to_string(entries.bad_lines.front()) +
                                         ", does not match its checksum; put a good copy in its "
                                         "place. The dose ledger is not touched by this"};
  }
  for (const json& entry : entries.events) {
    map->apply(entry);
  }
  return map;
}

// --- What is added
// --------------------------------------------------------------------------------------

Result<void> GridMap::keep(json entry, const std::string& by) {
  entry["utc"] = utc_text(clock_.utc_now_ns());
  entry["by"] = by;
  CREEL_TRY(log_->append(entry));
  apply(entry);
  return {};
}

/// Entries were checked before they were kept.
void GridMap::apply(const json& entry) {
  const std::string what = entry.value("event", "");
  ++revision_;
  if (what == "profile") {
    profiles_.push_back({beam_shape_from(entry.value("shape", "")).value_or(BeamShape::gaussian),
                         entry.value("diameter_nm", 0.0), entry.value("relative_uncertainty", 0.0),
                         entry.value("method", ""), entry.value("utc", "")});
    return;
  }
  MapGrid& grid = grids_[entry.value("grid", "")];
  if (what == "grid_added") {
    grid.name = entry.value("grid", "");
    grid.note = entry.value("note", "");
  } else if (what == "area_added") {
    grid.areas.push_back(area_from(entry));
  } else if (what == "grid_loaded") {
    grid.loadings.push_back(loading_from(entry));
  } else if (what == "picture") {
    grid.pictures.push_back({entry.value("area", ""), entry.value("file", ""),
                             entry.value("name", ""), entry.value("bytes", std::uint64_t{0}),
                             entry.value("crc32c", "")});
  }
}

Result<void> GridMap::add_grid(const std::string& name, const std::string& note,
                               const std::string& by) {
  CREEL_TRY(check_name("grid", name));
  if (note.size() > kMostText) {
    return wrong("note: at most 4096 bytes");
  }
  if (find_grid(name) != nullptr) {
    return Error{ErrorCode::refused,
                 "grid " + name + " is on the map already; a name is given once, for ever"};
  }
  return keep({{"event", "grid_added"}, {"grid", name}, {"note", note}}, by);
}

Result<void> GridMap::add_area(const MapArea& area, const std::string& by) {
  CREEL_TRY(check_name("area", area.name));
  CREEL_TRY(check_place("place of the area", area.at));
  const MapGrid* grid = find_grid(area.grid);
  if (grid == nullptr) {
    return Error{ErrorCode::refused,
                 "grid " + area.grid + " is not on the map; add it first: creel grid add"};
  }
  if (find_area(area.key()) != nullptr) {
    return Error{ErrorCode::refused,
                 "area " + area.key() + " is on the map already; a name is given once, for ever"};
  }
  if (grid->areas.size() >= kMostAreas || area.outline.size() > kMostOutline ||
      area.square.size() > kMostText || area.note.size() > kMostText) {
    return wrong("at most 10000 areas of a grid, 1000 points of an outline, 4096 bytes of a text");
  }
  if (area.diameter_nm && !(*area.diameter_nm > 0 && *area.diameter_nm <= 1e6)) {
    return wrong("diameter: got " + number(*area.diameter_nm) +
                 " nm; must be more than 0, at most 1000000");
  }
  for (const MapPoint& point : area.outline) {
    CREEL_TRY(check_place("a point of the outline", point));
  }
  return keep({{"event", "area_added"},
               {"grid", area.grid},
               {"name", area.name},
               {"square", area.square},
               {"x_um", area.at.x_um},
               {"y_um", area.at.y_um},
               {"diameter_nm", area.diameter_nm ? json(*area.diameter_nm) : json(nullptr)},
               {"outline_um", outline_json(area.outline)},
               {"note", area.note}},
              by);
}

Result<Alignment> GridMap::load(const std::string& grid, const std::vector<MapPair>& pairs,
                                std::optional<bool> flipped, const std::string& by) {
  if (find_grid(grid) == nullptr) {
    return Error{ErrorCode::refused, "grid " + grid + " is not on the map"};
  }
  auto alignment = align(pairs, flipped);
  if (!alignment.ok()) {
    return alignment;
  }
  json entry = loading_json(*alignment);
  entry["event"] = "grid_loaded";
  entry["grid"] = grid;
  for (std::size_t i = 0; i < pairs.size(); ++i) {
    entry["pairs"].push_back({{"x_um", pairs[i].grid.x_um},
                              {"y_um", pairs[i].grid.y_um},
                              {"stage_x_um", pairs[i].stage.x_um},
                              {"stage_y_um", pairs[i].stage.y_um},
                              {"left_um", alignment->left_um[i]}});
  }
  CREEL_TRY(keep(std::move(entry), by));
  return alignment;
}

Result<MapPicture> GridMap::add_picture(const std::string& grid, const std::string& area,
                                        const std::string& path, const std::string& by) {
  if (find_grid(grid) == nullptr || (!area.empty() && find_area(grid + "/" + area) == nullptr)) {
    return Error{ErrorCode::refused, (area.empty() ? "grid " + grid : "area " + grid + "/" + area) +
                                         " is not on the map"};
  }
  auto file = disk_.open(path, OpenMode::read);
  auto size = file.ok() ? (*file)->size() : Result<std::uint64_t>(file.error());
  if (!size.ok()) {
    return wrong(path + ": creeld cannot read it: " + size.error().text);
  }
  if (*size > kMostPictureBytes) {
    return wrong(path + " has " + bytes_text(static_cast<double>(*size)) +
                 "; a picture may have 64 MiB");
  }
  auto bytes = read_all(disk_, path);
  if (!bytes.ok()) {
    return wrong(path + ": creeld cannot read it: " + bytes.error().text);
  }
  const std::string kind = picture_kind(*bytes);
  if (kind.empty()) {
    return wrong(path + " is no PNG, JPEG or TIFF");
  }
  MapPicture picture;
  picture.area = area;
  picture.name = path.substr(path.rfind('/') + 1);
  picture.bytes = bytes->size();
  picture.crc32c = hex(crc32c(std::as_bytes(std::span(*bytes))));
  picture.file = picture.crc32c + "-" + std::to_string(picture.bytes) + "." + kind;
  CREEL_TRY(store_picture(picture.file, *bytes));
  CREEL_TRY(keep({{"event", "picture"},
                  {"grid", grid},
                  {"area", area},
                  {"file", picture.file},
                  {"name", picture.name},
                  {"bytes", picture.bytes},
                  {"crc32c", picture.crc32c}},
                 by));
  return picture;
}

/// Whole before it has its name; the same picture twice is one file.
Result<void> GridMap::store_picture(const std::string& file, const std::string& bytes) {
  const std::string directory = directory_ + "/pictures";
  const std::string draft = directory + "/draft";
  if (disk_.exists(directory + "/" + file)) {
    return {};
  }
  auto made = disk_.open(draft, OpenMode::create_or_open);
  if (!made.ok()) {
    return made.error();
  }
  CREEL_TRY((*made)->resize(0));
  CREEL_TRY((*made)->write_at(0, std::as_bytes(std::span(bytes))));
  CREEL_TRY((*made)->sync());
  CREEL_TRY(disk_.rename(draft, directory + "/" + file));
  return disk_.sync_directory(directory);
}

Result<void> GridMap::set_profile(BeamProfile profile, const std::string& by) {
  if (!(profile.diameter_nm > 0 && profile.diameter_nm <= 1e6)) {
    return wrong("diameter: got " + number(profile.diameter_nm) +
                 " nm; must be more than 0, at most 1000000");
  }
  if (!(profile.relative_uncertainty >= 0 && profile.relative_uncertainty <= 10)) {
    return wrong("uncertainty: got " + number(profile.relative_uncertainty) +
                 "; must be 0 to 10, relative");
  }
  if (profile.method.empty() || profile.method.size() > kMostText) {
    return wrong("method: must say how the profile was measured, in at most 4096 bytes");
  }
  return keep({{"event", "profile"},
               {"shape", beam_shape_name(profile.shape)},
               {"diameter_nm", profile.diameter_nm},
               {"relative_uncertainty", profile.relative_uncertainty},
               {"method", profile.method}},
              by);
}

// --- What is there
// --------------------------------------------------------------------------------------

const MapGrid* GridMap::find_grid(const std::string& name) const {
  const auto found = grids_.find(name);
  return found == grids_.end() ? nullptr : &found->second;
}

const MapArea* GridMap::find_area(const std::string& key) const {
  const auto slash = key.find('/');
  const MapGrid* grid = slash == std::string::npos ? nullptr : find_grid(key.substr(0, slash));
  if (grid == nullptr) {
    return nullptr;
  }
  const auto found = std::find_if(grid->areas.begin(), grid->areas.end(),
                                  [&](const MapArea& area) { return area.key() == key; });
  return found == grid->areas.end() ? nullptr : &*found;
}

json GridMap::grid_json(const MapGrid& grid) const {
  const Alignment now = grid.loadings.empty() ? Alignment() : grid.loadings.back().alignment;
  json areas = json::array();
  for (const MapArea& area : grid.areas) {
    const MapPoint stage = now.to_stage(area.at);
    areas.push_back({{"area", area.key()},
                     {"name", area.name},
                     {"square", area.square},
                     {"x_um", area.at.x_um},
                     {"y_um", area.at.y_um},
                     {"diameter_nm", area.diameter_nm ? json(*area.diameter_nm) : json(nullptr)},
                     {"outline_um", outline_json(area.outline)},
                     {"note", area.note},
                     {"stage_x_um", stage.x_um},
                     {"stage_y_um", stage.y_um}});
  }
  json loadings = json::array();
  for (const MapLoading& loading : grid.loadings) {
    loadings.push_back(loading_json(loading.alignment));
    loadings.back()["utc"] = loading.utc;
  }
  json pictures = json::array();
  for (const MapPicture& picture : grid.pictures) {
    pictures.push_back({{"area", picture.area},
                        {"name", picture.name},
                        {"path", directory_ + "/pictures/" + picture.file},
                        {"bytes", picture.bytes},
                        {"crc32c", picture.crc32c}});
  }
  return {{"grid", grid.name},
          {"note", grid.note},
          {"areas", areas},
          {"loadings", loadings},
          {"pictures", pictures}};
}

json GridMap::profile_json() const {
  if (profiles_.empty()) {
    return nullptr;
  }
  const BeamProfile& last = profiles_.back();
  return {{"shape", beam_shape_name(last.shape)},
          {"diameter_nm", last.diameter_nm},
          {"relative_uncertainty", last.relative_uncertainty},
          {"method", last.method},
          {"utc", last.utc}};
}

}  // namespace creel
