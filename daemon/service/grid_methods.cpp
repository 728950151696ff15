// The methods grids.* of the interface: the map of grids and areas, and what it means for the
// ledger and for the check of a series.

#include <algorithm>
#include <cmath>
#include <optional>

#include "daemon/service/service.h"
#include "protocol/base/text.h"

namespace creel {

using nlohmann::json;

namespace {

constexpr double kMatters = 0.01;      // part of a limit, or of what is planned
constexpr double kElsewhere_um = 1.0;  // further apart is not the same place

std::string by(const rpc::Call& call) {
  const std::string& peer = call.connection->peer();
  const auto at = peer.find("user ");
  return at == std::string::npos ? peer : peer.substr(at);
}

Result<MapPoint> point_of(const json& pair, const std::string& what) {
  const bool good =
      pair.is_array() && pair.size() == 2 && pair[0].is_number() && pair[1].is_number();
  return good ? Result<MapPoint>(MapPoint{pair[0].get<double>(), pair[1].get<double>()})
              : Result<MapPoint>(Error{ErrorCode::invalid_request,
                                       what + ": must be two numbers, [x, y] in micrometres"});
}

Result<MapArea> area_from(const json& asked) {
  MapArea area;
  area.grid = asked["grid"];
  area.name = asked["name"];
  area.square = asked.value("square", "");
  area.note = asked.value("note", "");
  area.at = {asked["x_um"].get<double>(), asked["y_um"].get<double>()};
  if (asked.contains("diameter_nm")) {
    area.diameter_nm = asked["diameter_nm"].get<double>();
  }
  for (const json& pair : asked.value("outline_um", json::array())) {
    auto point = point_of(pair, "a point of the outline");
    if (!point.ok()) {
      return point.error();
    }
    area.outline.push_back(*point);
  }
  return area;
}

/// {area: NAME} or {at_um: [x, y]}, and {stage_um: [x, y]}.
Result<std::vector<MapPair>> pairs_from(const GridMap& map, const std::string& grid,
                                        const json& points) {
  std::vector<MapPair> pairs;
  for (const json& point : points) {
    std::string what = "identified point ";
    what += std::to_string(pairs.size() + 1);
    const json named = point.is_object() ? point.value("area", json()) : json();
    MapPair pair;
    if (named.is_string()) {
      const MapArea* area = map.find_area(grid + "/" + named.get<std::string>());
      if (area == nullptr) {
        return Error{ErrorCode::invalid_request,
                     what + ": area " + named.get<std::string>() + " is not on grid " + grid};
      }
      pair.grid = area->at;
    } else {
      auto at = point_of(point.is_object() ? point.value("at_um", json()) : json(), what);
      if (!at.ok()) {
        return at.error();
      }
      pair.grid = *at;
    }
    auto stage = point_of(point.is_object() ? point.value("stage_um", json()) : json(),
                          what + ", on the stage");
    if (!stage.ok()) {
      return stage.error();
    }
    pair.stage = *stage;
    pairs.push_back(pair);
  }
  return pairs;
}

json loading_answer(const Alignment& alignment) {
  json warnings = json::array();
  if (std::abs(alignment.scale - 1) > 0.02) {
    warnings.push_back("distances on the stage are " + number(alignment.scale) +
                       " times those on the map: is a point mistaken, or a unit?");
  }
  return {{"rotation_deg", alignment.rotation_deg}, {"flipped", alignment.flipped},
          {"shift_x_um", alignment.shift.x_um},     {"shift_y_um", alignment.shift.y_um},
          {"residual_um", alignment.residual_um},   {"scale", alignment.scale},
          {"left_um", alignment.left_um},           {"warnings", warnings}};
}

Result<json> nothing(const Result<void>& result) {
  return result.ok() ? Result<json>(json::object()) : Result<json>(result.error());
}

}  // namespace

Result<void> Service::make_grid_map() {
  auto map = GridMap::open(parts_.disk, parts_.clock, options_.state + "/grids");
  if (!map.ok()) {
    return map.error();
  }
  grid_map_ = std::move(*map);
  neighbours_ = std::make_unique<Neighbours>(*ledger_, *grid_map_);
  return {};
}

/// What cannot be charged now is charged the next time: the ledger says what is missing.
void Service::settle_neighbours() {
  if (neighbours_ == nullptr) {
    return;
  }
  std::vector<TailCharge> charged;
  const auto settled = neighbours_->settle(charged);
  for (const TailCharge& one : charged) {
    options_.log("charged to " + one.area + ": " + number(one.dose.value) + " e/A^2, " +
                 one.reason);
    conductor_->dose_entered(one.area, one.dose, one.sigma, one.reason, true);
  }
  if (!settled.ok()) {
    options_.log("the dose of neighbouring areas is not charged yet: " + settled.error().text);
  }
}

void Service::serve_grids() {
  rpc::Dispatcher& rpc = parts_.dispatcher;
  rpc.add_prompt("grids.list", [this](const rpc::Call& call) -> Result<json> {
    const std::string only = call.params.value("grid", "");
    json all = json::array();
    for (const auto& [name, grid] : grid_map_->grids()) {
      if (!only.empty() && name != only) {
        continue;
      }
      all.push_back(grid_map_->grid_json(grid));
      for (json& area : all.back()["areas"]) {
        auto balance = ledger_->balance(area["area"].get<std::string>());
        if (!balance.ok()) {
          return balance.error();
        }
        area["dose_e_per_a2"] = balance->upper().value;
        area["sigma_e_per_a2"] = std::sqrt(balance->variance);
      }
    }
    if (!only.empty() && all.empty()) {
      return Error{ErrorCode::invalid_request, "grid " + only + " is not on the map"};
    }
    return json{{"grids", all}, {"profile", grid_map_->profile_json()}};
  });
  rpc.add_prompt("grids.add", [this](const rpc::Call& call) {
    return nothing(
        grid_map_->add_grid(call.params["grid"], call.params.value("note", ""), by(call)));
  });
  rpc.add_prompt("grids.add_area", [this](const rpc::Call& call) -> Result<json> {
    auto area = area_from(call.params);
    if (!area.ok()) {
      return area.error();
    }
    auto added = grid_map_->add_area(*area, by(call));
    settle_neighbours();
    return nothing(added);
  });
  rpc.add_prompt("grids.load", [this](const rpc::Call& call) -> Result<json> {
    const std::string grid = call.params["grid"];
    auto pairs = pairs_from(*grid_map_, grid, call.params["points"]);
    if (!pairs.ok()) {
      return pairs.error();
    }
    const auto flipped = call.params.contains("flipped")
                             ? std::optional(call.params["flipped"].get<bool>())
                             : std::nullopt;
    auto loaded = grid_map_->load(grid, *pairs, flipped, by(call));
    return loaded.ok() ? Result<json>(loading_answer(*loaded)) : Result<json>(loaded.error());
  });
  rpc.add_prompt("grids.add_picture", [this](const rpc::Call& call) -> Result<json> {
    auto picture = grid_map_->add_picture(call.params["grid"], call.params.value("area", ""),
                                          call.params["path"], by(call));
    if (!picture.ok()) {
      return picture.error();
    }
    return json{{"file", picture->file}, {"bytes", picture->bytes}, {"crc32c", picture->crc32c}};
  });
  rpc.add_prompt("grids.set_profile", [this](const rpc::Call& call) -> Result<json> {
    const auto shape = beam_shape_from(call.params["shape"].get<std::string>());
    if (!shape) {
      return Error{ErrorCode::invalid_request, "shape: got \"" +
                                                   call.params["shape"].get<std::string>() +
                                                   "\"; must be gaussian or flat"};
    }
    BeamProfile profile;
    profile.shape = *shape;
    profile.diameter_nm = call.params["diameter_nm"].get<double>();
    profile.relative_uncertainty = call.params["relative_uncertainty"].get<double>();
    profile.method = call.params["method"];
    auto set = grid_map_->set_profile(profile, by(call));
    settle_neighbours();
    return nothing(set);
  });
}

/// A map that nobody keeps says nothing.
void Service::add_map_warnings(const Series& series, const std::map<std::string, Dose>& planned,
                               std::vector<std::string>& warnings) const {
  if (grid_map_->grids().empty()) {
    return;
  }
  for (const Area& area : series.areas) {
    const MapArea* on_map = grid_map_->find_area(area.key());
    if (on_map == nullptr) {
      warnings.push_back("area " + area.key() +
                         " is not on the map, so nothing is charged to its neighbours; add it: "
                         "creel grid add-area");
      continue;
    }
    if (area.x_um && area.y_um &&
        distance_um(on_map->at, {*area.x_um, *area.y_um}) > kElsewhere_um) {
      warnings.push_back("area " + area.key() + " is at (" + number(*area.x_um) + ", " +
                         number(*area.y_um) + ") um in the series and at (" +
                         number(on_map->at.x_um) + ", " + number(on_map->at.y_um) +
                         ") um on the map");
    }
    if (grid_map_->profiles().empty()) {
      warnings.push_back(
          "no beam profile is stated, so nothing is charged to the neighbours of area " +
          area.key() + "; state it: creel grid profile");
      continue;
    }
    const Dose given = planned.contains(area.key()) ? planned.at(area.key()) : Dose{};
    for (const Neighbour& one : neighbours_of(*grid_map_, *on_map, grid_map_->profiles().back())) {
      const double tail = one.part * given.value;
      const auto same =
          std::find_if(series.areas.begin(), series.areas.end(),
                       [&](const Area& other) { return other.key() == one.area->key(); });
      const double limit = same == series.areas.end() ? given.value : same->dose_limit.value;
      if (tail > kMatters * limit) {
        warnings.push_back("area " + area.key() + " gives its neighbour " + one.area->key() + ", " +
                           number(one.distance_um) + " um away, about " + number(tail) +
                           " e/A^2, which is charged to it" +
                           (same == series.areas.end() ? "" : " (limit " + number(limit) + ")"));
      }
    }
  }
}

}  // namespace creel
