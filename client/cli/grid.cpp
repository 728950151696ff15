// grid: the map of grids and areas.

#include <algorithm>
#include <cstdlib>
#include <filesystem>
#include <optional>

#include "client/cli/commands.h"
#include "client/cli/link.h"
#include "client/report/grid_map.h"
#include "protocol/base/text.h"

namespace creel::cli {

using nlohmann::json;

namespace {

constexpr std::size_t kMapColumns = 72;
constexpr std::size_t kMapRows = 20;

/// "12.5,-3" as two numbers.
std::optional<json> pair_from(const std::string& text) {
  const auto comma = text.find(',');
  if (comma == std::string::npos) {
    return std::nullopt;
  }
  json pair = json::array();
  for (const std::string& part : {text.substr(0, comma), text.substr(comma + 1)}) {
    char* end = nullptr;
    const double value = std::strtod(part.c_str(), &end);
    if (part.empty() || *end != '\0') {
      return std::nullopt;
    }
    pair.push_back(value);
  }
  return pair;
}

Answer not_a_place(const std::string& option, const std::string& text) {
  return failure("grid", Exit::wrong,
                 Error{ErrorCode::invalid_request,
                       option + ": got \"" + text + "\"; must be X,Y in micrometres, as -12.5,3"});
}

/// An order without a result worth showing.
Answer told(const Common& common, const std::string& method, const json& params,
            const std::string& done) {
  auto called = call_once("grid", common.socket, method, params);
  if (called.failed) {
    return *called.failed;
  }
  Answer answer;
  answer.object = called.result;
  answer.text = done;
  return answer;
}

std::string profile_text(const json& profile) {
  return profile.is_object()
             ? "beam profile: " + text_of(profile, "shape") + ", " +
                   number(number_of(profile, "diameter_nm")) + " nm, +/- " +
                   number(100 * number_of(profile, "relative_uncertainty"), 3) + " % (" +
                   text_of(profile, "method") + ")"
             : "no beam profile is stated, so nothing is charged to neighbours: creel grid profile";
}

}  // namespace

Answer grid_list(const Common& common) {
  auto called = call_once("grid", common.socket, "grids.list");
  if (called.failed) {
    return *called.failed;
  }
  std::vector<std::vector<std::string>> rows{{"grid", "areas", "loaded", "highest dose e/A^2", ""}};
  for (const json& grid : list_of(called.result, "grids")) {
    double most = 0;
    for (const json& area : list_of(grid, "areas")) {
      most = std::max(most, number_of(area, "dose_e_per_a2"));
    }
    rows.push_back({text_of(grid, "grid"), std::to_string(list_of(grid, "areas").size()),
                    std::to_string(list_of(grid, "loadings").size()), number(most),
                    text_of(grid, "note")});
  }
  Answer answer;
  answer.object = called.result;
  answer.text = (rows.size() == 1 ? "no grids on the map yet: creel grid add" : table(rows)) +
                "\n" + profile_text(member_of(called.result, "profile"));
  return answer;
}

Answer grid_show(const Common& common, const std::string& grid, const std::string& base) {
  auto called = call_once("grid", common.socket, "grids.list", {{"grid", grid}});
  if (called.failed) {
    return *called.failed;
  }
  Answer answer;
  answer.object = called.result;
  const json grids = list_of(called.result, "grids");
  const json shown = grids.empty() ? json::object() : grids[0];
  answer.text = report::grid_map_text(shown, kMapColumns, kMapRows) + "\n" +
                profile_text(member_of(called.result, "profile"));
  if (!base.empty()) {
    if (auto drawn = report::draw_grid_map(shown, base); !drawn.ok()) {
      return failure("grid", exit_of(drawn.error().code), drawn.error());
    }
    answer.text += "\n" + base + ".svg and " + base + ".png";
  }
  return answer;
}

Answer grid_add(const Common& common, const std::string& grid, const std::string& note) {
  return told(common, "grids.add", {{"grid", grid}, {"note", note}},
              "grid " + grid + " is on the map, for ever by this name");
}

Answer grid_add_area(const Common& common, const AreaWish& wish) {
  const auto at = pair_from(wish.at);
  if (!at) {
    return not_a_place("--at", wish.at);
  }
  json params = {{"grid", wish.grid},          {"name", wish.name}, {"x_um", (*at)[0]},
                 {"y_um", (*at)[1]},           {"note", wish.note}, {"square", wish.square},
                 {"outline_um", json::array()}};
  if (wish.diameter_nm > 0) {
    params["diameter_nm"] = wish.diameter_nm;
  }
  for (const std::string& text : wish.outline) {
    const auto point = pair_from(text);
    if (!point) {
      return not_a_place("--outline", text);
    }
    params["outline_um"].push_back(*point);
  }
  return told(common, "grids.add_area", params,
              "area " + wish.grid + "/" + wish.name + " is on the map, for ever by this name");
}

Answer grid_align(const Common& common, const AlignWish& wish) {
  json points = json::array();
  for (const std::string& text : wish.points) {
    const auto equals = text.find('=');
    const std::string what = text.substr(0, equals);
    const auto stage =
        equals == std::string::npos ? std::nullopt : pair_from(text.substr(equals + 1));
    if (!stage) {
      return failure("grid", Exit::wrong,
                     Error{ErrorCode::invalid_request,
                           "--point: got \"" + text +
                               "\"; must be AREA=X,Y or X,Y=X,Y: what it is on the grid, and where "
                               "it is on the stage, micrometres"});
    }
    json point = {{"stage_um", *stage}};
    const auto at = pair_from(what);
    point[at ? "at_um" : "area"] = at ? *at : json(what);
    points.push_back(std::move(point));
  }
  json params = {{"grid", wish.grid}, {"points", points}};
  if (wish.flipped || wish.not_flipped) {
    params["flipped"] = wish.flipped;
  }
  auto called = call_once("grid", common.socket, "grids.load", params);
  if (called.failed) {
    return *called.failed;
  }
  Answer answer;
  answer.object = called.result;
  answer.text =
      "grid " + wish.grid + " is turned by " + number(number_of(called.result, "rotation_deg")) +
      " degrees" + (flag_of(called.result, "flipped") ? " and flipped" : ", not flipped") +
      "; residual " + number(number_of(called.result, "residual_um"), 2) + " um; distances " +
      number(number_of(called.result, "scale"), 5) + " times those on the map";
  for (const json& warning : list_of(called.result, "warnings")) {
    answer.text += warning.is_string() ? "\nwarning: " + warning.get<std::string>() : "";
  }
  answer.text +=
      "\nAreas keep their names, coordinates and dose. Nothing was moved. See where they "
      "are now: creel grid show " +
      wish.grid;
  return answer;
}

Answer grid_picture(const Common& common, const std::string& grid, const std::string& area,
                    const std::string& file) {
  std::error_code failed;
  const auto path = std::filesystem::absolute(file, failed);
  json params = {{"grid", grid}, {"path", failed ? file : path.string()}};
  if (!area.empty()) {
    params["area"] = area;
  }
  return told(common, "grids.add_picture", params, file + " is copied and kept with its checksum");
}

Answer grid_profile(const Common& common, const ProfileWish& wish) {
  return told(common, "grids.set_profile",
              {{"shape", wish.shape},
               {"diameter_nm", wish.diameter_nm},
               {"relative_uncertainty", wish.uncertainty},
               {"method", wish.method}},
              "From now on every exposure charges the areas beside it with the tail of this beam.");
}

}  // namespace creel::cli
