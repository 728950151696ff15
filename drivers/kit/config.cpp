#include "drivers/kit/config.h"

#include <algorithm>
#include <cmath>
#include <sstream>

#include "drivers/kit/kit.h"

namespace creel::kit {
namespace {

std::string plain(double value) {
  std::ostringstream text;
  text.precision(12);
  text << value;
  return text.str();
}

std::string between(const std::string& least, const std::string& most) {
  return "from " + least + " to " + most;
}

}  // namespace

Config::Config(const nlohmann::json& object, std::string place)
    : object_(object), place_(std::move(place)) {
  if (!object_.is_object()) {
    throw Failure(CREEL_E_INVALID,
                  (place_.empty() ? "config" : place_.substr(0, place_.size() - 1)) + ": given " +
                      object_.dump() + "; allowed: a JSON object");
  }
}

const nlohmann::json* Config::find(std::string_view name) {
  known_.emplace_back(name);
  const auto found = object_.find(name);
  return found == object_.end() ? nullptr : &*found;
}

void Config::refuse(std::string_view name, const nlohmann::json& given,
                    const std::string& allowed) const {
  throw Failure(CREEL_E_INVALID, "config field " + place_ + std::string(name) + ": given " +
                                     given.dump() + "; allowed: " + allowed);
}

double Config::number(std::string_view name, double otherwise, double least, double most) {
  const nlohmann::json* given = find(name);
  if (given == nullptr) {
    return otherwise;
  }
  const std::string allowed = "a number " + between(plain(least), plain(most));
  if (!given->is_number()) {
    refuse(name, *given, allowed);
  }
  const double value = given->get<double>();
  if (!(value >= least && value <= most)) {
    refuse(name, *given, allowed);
  }
  return value;
}

std::int64_t Config::integer(std::string_view name, std::int64_t otherwise, std::int64_t least,
                             std::int64_t most) {
  const nlohmann::json* given = find(name);
  if (given == nullptr) {
    return otherwise;
  }
  const std::string allowed =
      "a whole number " + between(std::to_string(least), std::to_string(most));
  const double value = given->is_number() ? given->get<double>() : std::nan("");
  if (value != std::floor(value) || !(value >= static_cast<double>(least)) ||
      !(value <= static_cast<double>(most))) {
    refuse(name, *given, allowed);
  }
  return given->is_number_integer() ? given->get<std::int64_t>() : static_cast<std::int64_t>(value);
}

bool Config::flag(std::string_view name, bool otherwise) {
  const nlohmann::json* given = find(name);
  if (given == nullptr) {
    return otherwise;
  }
  if (!given->is_boolean()) {
    refuse(name, *given, "true or false");
  }
  return given->get<bool>();
}

std::string Config::text(std::string_view name, std::string otherwise) {
  const nlohmann::json* given = find(name);
  if (given == nullptr) {
    return otherwise;
  }
  if (!given->is_string()) {
    refuse(name, *given, "a text in double quotes");
  }
  return given->get<std::string>();
}

std::string Config::choice(std::string_view name, std::string otherwise,
                           const std::vector<std::string>& allowed) {
  const nlohmann::json* given = find(name);
  if (given == nullptr) {
    return otherwise;
  }
  if (!given->is_string() ||
      std::find(allowed.begin(), allowed.end(), given->get<std::string>()) == allowed.end()) {
    std::string list;
    for (const std::string& one : allowed) {
      list += (list.empty() ? "\"" : ", \"") + one + "\"";
    }
    refuse(name, *given, list);
  }
  return given->get<std::string>();
}

Config Config::object(std::string_view name) {
  const nlohmann::json* given = find(name);
  return {given == nullptr ? nlohmann::json::object() : *given, place_ + std::string(name) + "."};
}

std::vector<Config> Config::objects(std::string_view name) {
  const nlohmann::json* given = find(name);
  if (given == nullptr) {
    return {};
  }
  if (!given->is_array()) {
    refuse(name, *given, "a list of JSON objects");
  }
  std::vector<Config> list;
  for (std::size_t i = 0; i < given->size(); ++i) {
    list.emplace_back((*given)[i], place_ + std::string(name) + "[" + std::to_string(i) + "].");
  }
  return list;
}

bool Config::has(std::string_view name) const {
  return object_.contains(name);
}

void Config::done() const {
  for (const auto& [name, value] : object_.items()) {
    if (std::find(known_.begin(), known_.end(), name) != known_.end()) {
      continue;
    }
    std::string list;
    for (const std::string& one : known_) {
      list += (list.empty() ? "" : ", ") + one;
    }
    throw Failure(CREEL_E_INVALID,
                  "config field " + place_ + name + " is not known; known fields: " + list);
  }
}

}  // namespace creel::kit
