// Values as JSON has them.
#pragma once

#include <cmath>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

namespace creel::analysis {

/// JSON has no NaN: what is not known is null.
inline nlohmann::json json_number(double value) {
  return std::isfinite(value) ? nlohmann::json(value) : nlohmann::json(nullptr);
}

inline nlohmann::json json_numbers(const std::vector<double>& values) {
  nlohmann::json list = nlohmann::json::array();
  for (const double value : values) {
    list.push_back(json_number(value));
  }
  return list;
}

}  // namespace creel::analysis
