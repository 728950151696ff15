#include "client/report/grid_map.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include "client/report/drawing.h"
#include "protocol/base/text.h"

namespace creel::report {

using nlohmann::json;

namespace {

constexpr double kDefaultDiameter_um = 0.5;  // drawn where no diameter is known
constexpr const char* kLetters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz";
constexpr std::size_t kMostLetters = 52;

struct Place {
  std::string name, square;
  double x = 0, y = 0, stage_x = 0, stage_y = 0, dose = 0;
  double diameter_um = 0;  ///< 0 = unknown
  std::vector<std::pair<double, double>> outline;
};

double number_in(const json& object, const char* name) {
  const auto found = object.find(name);
  return found != object.end() && found->is_number() ? found->get<double>() : 0;
}

std::string text_in(const json& object, const char* name) {
  const auto found = object.find(name);
  return found != object.end() && found->is_string() ? found->get<std::string>() : "";
}

std::vector<Place> places_of(const json& grid) {
  std::vector<Place> places;
  for (const json& area : grid.value("areas", json::array())) {
    Place place{text_in(area, "name"),
                text_in(area, "square"),
                number_in(area, "x_um"),
                number_in(area, "y_um"),
                number_in(area, "stage_x_um"),
                number_in(area, "stage_y_um"),
                number_in(area, "dose_e_per_a2"),
                1e-3 * number_in(area, "diameter_nm"),
                {}};
    for (const json& point : area.value("outline_um", json::array())) {
      if (point.is_array() && point.size() == 2 && point[0].is_number() && point[1].is_number()) {
        place.outline.emplace_back(point[0].get<double>(), point[1].get<double>());
      }
    }
    places.push_back(std::move(place));
  }
  return places;
}

/// All of it with some air around, never empty; one scale for both axes is the caller's.
struct Box {
  double x0 = 0, x1 = 0, y0 = 0, y1 = 0;
};

Box box_of(const std::vector<Place>& places) {
  Box box{places[0].x, places[0].x, places[0].y, places[0].y};
  const auto take = [&box](double x, double y, double reach) {
    box.x0 = std::min(box.x0, x - reach);
    box.x1 = std::max(box.x1, x + reach);
    box.y0 = std::min(box.y0, y - reach);
    box.y1 = std::max(box.y1, y + reach);
  };
  for (const Place& place : places) {
    take(place.x, place.y, 0.5 * std::max(place.diameter_um, kDefaultDiameter_um));
    for (const auto& [x, y] : place.outline) {
      take(x, y, 0);
    }
  }
  const double air = 0.08 * std::max({box.x1 - box.x0, box.y1 - box.y0, 1.0});
  return {box.x0 - air, box.x1 + air, box.y0 - air, box.y1 + air};
}

std::string loading_text(const json& grid) {
  const json loadings = grid.value("loadings", json::array());
  if (loadings.empty()) {
    return "not aligned with the stage yet (creel grid align): stage positions are the map's";
  }
  const json& last = loadings.back();
  return "loaded " + std::to_string(loadings.size()) + " times; now turned by " +
         number(number_in(last, "rotation_deg")) + " degrees" +
         (last.value("flipped", false) ? ", flipped" : "") + ", shifted by (" +
         number(number_in(last, "shift_x_um")) + ", " + number(number_in(last, "shift_y_um")) +
         ") um; residual " + number(number_in(last, "residual_um"), 2) + " um";
}

std::string padded(std::string text, std::size_t to) {
  text.resize(std::max(to, text.size() + 2), ' ');
  return text;
}

std::string legend(const std::vector<Place>& places) {
  std::string text = "  " + padded("area", 18) + padded("square", 9) +
                     padded("on the grid, um", 22) + padded("on the stage, um", 22) + "dose, e/A^2";
  for (std::size_t i = 0; i < places.size(); ++i) {
    const Place& one = places[i];
    text += std::string("\n") + (i < kMostLetters ? kLetters[i] : '*') + " " +
            padded(one.name, 18) + padded(one.square, 9) +
            padded("(" + number(one.x, 6) + ", " + number(one.y, 6) + ")", 22) +
            padded("(" + number(one.stage_x, 6) + ", " + number(one.stage_y, 6) + ")", 22) +
            number(one.dose);
  }
  return text;
}

std::string block(const std::string& name, const std::string& lines) {
  return "$" + name + " << END\n" + lines + "END\n";
}

std::string script(const json& grid, const std::vector<Place>& places, Format format,
                   std::string_view output) {
  constexpr int kHeight = 820;
  std::string discs;
  std::string labels;
  std::string outlines;
  for (const Place& one : places) {
    const std::string at = exact(one.x) + " " + exact(one.y) + " ";
    discs += at + exact(0.5 * (one.diameter_um > 0 ? one.diameter_um : kDefaultDiameter_um)) + "\n";
    labels += "set label " + literal(one.name + ": " + number(one.dose)) + " at " + exact(one.x) +
              "," + exact(one.y) + " center front noenhanced font ',10' tc rgb '" + kInk + "'\n";
    for (const auto& [x, y] : one.outline) {
      outlines += exact(x) + " " + exact(y) + "\n";
    }
    if (!one.outline.empty()) {
      outlines += exact(one.outline[0].first) + " " + exact(one.outline[0].second) + "\n\n";
    }
  }
  const Box box = box_of(places);
  std::string text = figure_setup(format, output, kHeight);
  text += block("discs", discs) + block("outlines", outlines) + labels;
  text += "set size ratio -1\nset xlabel 'x on the grid (um)'\nset ylabel 'y on the grid (um)'\n";
  text += "set title " +
          literal("grid " + text_in(grid, "grid") + ": areas with their dose in e/A^2") +
          " noenhanced font ',13' tc rgb '" + kInk + "'\nset key off\n";
  text += "set xrange [" + exact(box.x0) + ":" + exact(box.x1) + "]\nset yrange [" + exact(box.y0) +
          ":" + exact(box.y1) + "]\n";
  text += "plot $discs using 1:2:3 with circles lc rgb '" + std::string(kInkBand) +
          "' fs solid 0.6 border lc rgb '" + kInk + "'";
  text += outlines.empty()
              ? ""
              : ", $outlines using 1:2 with lines lw 1.2 lc rgb '" + std::string(kBrown) + "'";
  return text + "\n";
}

}  // namespace

std::string grid_map_text(const json& grid, std::size_t columns, std::size_t rows) {
  const std::vector<Place> places = places_of(grid);
  std::string text = "grid " + text_in(grid, "grid") +
                     (text_in(grid, "note").empty() ? "" : ": " + text_in(grid, "note")) + "\n" +
                     loading_text(grid);
  for (const json& picture : grid.value("pictures", json::array())) {
    text += "\npicture of " +
            (text_in(picture, "area").empty() ? "the grid" : text_in(picture, "area")) + ": " +
            text_in(picture, "name") + " in " + text_in(picture, "path");
  }
  if (places.empty()) {
    return text + "\nno areas yet (creel grid add-area)";
  }
  const Box box = box_of(places);
  // A character is about twice as high as wide.
  const double um = std::max((box.x1 - box.x0) / static_cast<double>(columns),
                             (box.y1 - box.y0) / static_cast<double>(2 * rows));
  const auto width = static_cast<std::size_t>(std::ceil((box.x1 - box.x0) / um));
  const auto height = static_cast<std::size_t>(std::ceil((box.y1 - box.y0) / (2 * um)));
  std::vector<std::string> page(height, std::string(width, '.'));
  for (std::size_t i = places.size(); i-- > 0;) {
    const auto column = static_cast<std::size_t>((places[i].x - box.x0) / um);
    const auto row = static_cast<std::size_t>((box.y1 - places[i].y) / (2 * um));
    page[std::min(row, height - 1)][std::min(column, width - 1)] =
        i < kMostLetters ? kLetters[i] : '*';
  }
  text += "\n";
  for (const std::string& line : page) {
    text += "\n  " + line;
  }
  return text + "\n  one character is " + number(um, 3) + " um wide, " + number(2 * um, 3) +
         " um high\n\n" + legend(places);
}

Result<void> draw_grid_map(const json& grid, const std::string& base) {
  const std::vector<Place> places = places_of(grid);
  if (places.empty()) {
    return Error{ErrorCode::refused, "the grid has no areas to draw"};
  }
  return draw_files(base, [&](Format format, std::string_view output) {
    return script(grid, places, format, output);
  });
}

}  // namespace creel::report
