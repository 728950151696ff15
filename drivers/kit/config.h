// Reads the "config" object of a device (rig file) with errors that a tired person can act on.
#pragma once

#include <cstdint>
#include <nlohmann/json.hpp>
#include <string>
#include <string_view>
#include <vector>

namespace creel::kit {

/// One JSON object, read field by field. Every reader throws Failure(CREEL_E_INVALID) that names
/// the field, what was given and what is allowed. A field that is absent gives the default. Call
/// done() last: it refuses fields that nobody read, so that a misspelt name is never silently
/// ignored. One thread.
class Config {
 public:
  /// `object` must be a JSON object; `place` goes in front of every field name in messages ("",
  /// "world.").
  Config(const nlohmann::json& object, std::string place = "");

  double number(std::string_view name, double otherwise, double least, double most);
  std::int64_t integer(std::string_view name, std::int64_t otherwise, std::int64_t least,
                       std::int64_t most);
  bool flag(std::string_view name, bool otherwise);
  std::string text(std::string_view name, std::string otherwise);
  /// One of `allowed`.
  std::string choice(std::string_view name, std::string otherwise,
                     const std::vector<std::string>& allowed);
  /// An object inside this one ({} when absent).
  Config object(std::string_view name);
  /// The objects of a list ([] when absent), each with its number in messages ("name[2].").
  std::vector<Config> objects(std::string_view name);
  [[nodiscard]] bool has(std::string_view name) const;
  void done() const;

 private:
  const nlohmann::json* find(std::string_view name);
  [[noreturn]] void refuse(std::string_view name, const nlohmann::json& given,
                           const std::string& allowed) const;
  nlohmann::json object_;
  std::string place_;
  std::vector<std::string> known_;
};

}  // namespace creel::kit
