// The map of a grid for people: as text, and as a figure.
#pragma once

#include <nlohmann/json.hpp>
#include <string>

#include "protocol/base/result.h"

namespace creel::report {

/// A grid as grids.list gives it (protocol/rpc/openrpc.json), on `columns` x `rows` characters:
/// each area a letter at its place, y upwards, and a legend with place, dose and the stage
/// position.
std::string grid_map_text(const nlohmann::json& grid, std::size_t columns, std::size_t rows);

/// The gnuplot script is drawn into BASE.svg and BASE.png: outlines, lit discs, names, doses.
Result<void> draw_grid_map(const nlohmann::json& grid, const std::string& base);

}  // namespace creel::report
