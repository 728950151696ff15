// The map: which grids there are, what lies where on them, and how each was loaded.
//
// Identity lasts for ever: a grid is its name, an area "grid/name" as in the ledger and in series
// documents; nothing is renamed, moved or removed, and coordinates belong to the grid, not to the
// stage. A grid that is loaded again, turned or flipped gets a new loading, which says where the
// grid's coordinates now are on the stage.
//
// On disk (directory/events.log): one entry a line, as in a session's events.log, only ever added:
//   grid_added  {grid, note}
//   area_added  {grid, name, square, x_um, y_um, diameter_nm, outline_um: [[x, y], ...], note}
//   grid_loaded {grid, rotation_deg, flipped, shift_x_um, shift_y_um, residual_um, scale,
//                pairs: [{x_um, y_um, stage_x_um, stage_y_um, left_um}]}
//   picture     {grid, area, file, bytes, crc32c, name}
//   profile     {shape, diameter_nm, relative_uncertainty, method}
// each with utc and by. Pictures lie in directory/pictures under names of our own.
#pragma once

#include <cstdint>
#include <map>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "daemon/grids/alignment.h"
#include "daemon/grids/beam_profile.h"
#include "daemon/seams/clock.h"
#include "daemon/seams/disk.h"
#include "daemon/store/event_file.h"
#include "protocol/base/result.h"

namespace creel {

struct MapPicture {
  std::string area;  ///< name; "" = of the whole grid
  std::string file;  ///< in the directory of the pictures
  std::string name;  ///< as the file was called
  std::uint64_t bytes = 0;
  std::string crc32c;  ///< of the file, 8 hexadecimal digits
};

struct MapArea {
  std::string grid, name;
  std::string square, note;
  MapPoint at;  ///< centre, in the grid's coordinates
  std::optional<double> diameter_nm;
  std::vector<MapPoint> outline;  ///< closed by itself; empty = unknown
  [[nodiscard]] std::string key() const { return grid + "/" + name; }
};

struct MapLoading {
  std::string utc;
  Alignment alignment;
};

struct MapGrid {
  std::string name, note;
  std::vector<MapArea> areas;        ///< in the order in which they were added
  std::vector<MapLoading> loadings;  ///< the last one holds; empty = grid and stage are the same
  std::vector<MapPicture> pictures;
};

/// Control thread.
class GridMap {
 public:
  static constexpr std::uint64_t kMostPictureBytes = 64U << 20U;
  static constexpr std::size_t kMostAreas = 10'000;  ///< of a grid
  static constexpr std::size_t kMostOutline = 1000;

  /// Opens or makes the map; refused while another process has it. `disk` and `clock` must outlive
  /// it.
  static Result<std::unique_ptr<GridMap>> open(Disk& disk, const Clock& clock,
                                               const std::string& directory);

  // Each is durable on return; after an error nothing has changed. `by`: "user 1000".
  /// refused: there is one of that name; names as in series documents.
  Result<void> add_grid(const std::string& name, const std::string& note, const std::string& by);
  /// refused: its grid is not there, or has an area of that name.
  Result<void> add_area(const MapArea& area, const std::string& by);
  /// A point names an area of the grid or gives coordinates on it. See align().
  Result<Alignment> load(const std::string& grid, const std::vector<MapPair>& pairs,
                         std::optional<bool> flipped, const std::string& by);
  /// Copies a PNG, JPEG or TIFF file that this process can read.
  Result<MapPicture> add_picture(const std::string& grid, const std::string& area,
                                 const std::string& path, const std::string& by);
  /// Holds for what is exposed from now on.
  Result<void> set_profile(BeamProfile profile, const std::string& by);

  [[nodiscard]] const std::map<std::string, MapGrid>& grids() const { return grids_; }
  /// Null when there is none. `key` = "grid/name".
  [[nodiscard]] const MapGrid* find_grid(const std::string& name) const;
  [[nodiscard]] const MapArea* find_area(const std::string& key) const;
  /// By their time.
  [[nodiscard]] const std::vector<BeamProfile>& profiles() const { return profiles_; }
  /// For clients: the grid with its areas (stage_x_um and stage_y_um by the last loading),
  /// loadings and pictures.
  [[nodiscard]] nlohmann::json grid_json(const MapGrid& grid) const;
  [[nodiscard]] nlohmann::json profile_json() const;  ///< the last one; null = none is stated
  /// Grows with every entry.
  [[nodiscard]] std::uint64_t revision() const { return revision_; }

 private:
  GridMap(Disk& disk, const Clock& clock, std::string directory);
  Result<void> keep(nlohmann::json entry, const std::string& by);
  void apply(const nlohmann::json& entry);
  Result<void> store_picture(const std::string& file, const std::string& bytes);

  Disk& disk_;
  const Clock& clock_;
  std::string directory_;
  std::unique_ptr<store::EventFile> log_;
  std::map<std::string, MapGrid> grids_;
  std::vector<BeamProfile> profiles_;
  std::uint64_t revision_ = 0;
};

}  // namespace creel
