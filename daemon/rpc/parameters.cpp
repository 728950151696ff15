#include "daemon/rpc/parameters.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "protocol/base/text.h"

namespace creel::rpc {
namespace {

using nlohmann::json;

constexpr std::array<std::string_view, 7> kChecked = {
    "type", "minimum", "maximum", "minLength", "maxLength", "description", "title"};
constexpr std::array<std::string_view, 6> kTypes = {"string",  "number", "integer",
                                                    "boolean", "array",  "object"};

Error invalid(std::string text) {
  return {ErrorCode::invalid_request, std::move(text)};
}

bool is_of_type(const json& value, std::string_view type) {
  if (type == "string") return value.is_string();
  if (type == "number") return value.is_number();
  if (type == "integer") {  // draft-07: 1.0 is an integer too
    return value.is_number_integer() ||
           (value.is_number_float() && std::trunc(value.get<double>()) == value.get<double>());
  }
  if (type == "boolean") return value.is_boolean();
  if (type == "array") return value.is_array();
  return value.is_object();
}

std::string with_article(std::string_view type) {
  const bool vowel = std::string_view("aeio").find(type.front()) != std::string_view::npos;
  return (vowel ? "an " : "a ") + std::string(type);
}

/// Short, for a message; the whole of a series document is not wanted there.
std::string shown(const json& value) {
  constexpr std::size_t kMost = 60;
  if (value.is_structured()) return with_article(value.type_name());
  std::string text = value.dump(-1, ' ', true);
  if (text.size() > kMost) text = text.substr(0, kMost) + "...";
  return text;
}

std::size_t characters(const std::string& utf8) {
  return static_cast<std::size_t>(std::count_if(utf8.begin(), utf8.end(), [](char c) {
    return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U;
  }));
}

Result<void> check_range(const std::string& name, const json& value, const json& schema) {
  const double number_given = value.get<double>();
  const bool low = schema.contains("minimum") && number_given < schema["minimum"].get<double>();
  const bool high = schema.contains("maximum") && number_given > schema["maximum"].get<double>();
  if (!low && !high) return {};
  return invalid("parameter '" + name + "' is " + shown(value) + "; it must be " +
                 (low ? "at least " + number(schema["minimum"].get<double>())
                      : "at most " + number(schema["maximum"].get<double>())));
}

Result<void> check_length(const std::string& name, const json& value, const json& schema) {
  const std::size_t length = characters(value.get_ref<const std::string&>());
  if (length == 0 && schema.value("minLength", 0U) > 0)
    return invalid("parameter '" + name + "' is empty");
  if (length < schema.value("minLength", std::size_t{0})) {
    return invalid("parameter '" + name + "' has " + std::to_string(length) +
                   " characters; at least " +
                   std::to_string(schema["minLength"].get<std::size_t>()) + " are needed");
  }
  if (length > schema.value("maxLength", SIZE_MAX)) {
    return invalid("parameter '" + name + "' has " + std::to_string(length) +
                   " characters; at most " +
                   std::to_string(schema["maxLength"].get<std::size_t>()) + " are allowed");
  }
  return {};
}

Result<void> check_value(const std::string& name, const json& value, const json& schema) {
  const std::string type = schema["type"];
  if (!is_of_type(value, type)) {
    return invalid("parameter '" + name + "' must be " + with_article(type) + "; it is " +
                   shown(value));
  }
  if (value.is_number()) return check_range(name, value, schema);
  if (value.is_string()) return check_length(name, value, schema);
  return {};
}

Result<void> check_schema(const std::string& name, const json& schema) {
  const Error wrong{ErrorCode::internal,
                    "the OpenRPC schema of parameter '" + name + "' is unusable: "};
  const json type = schema.is_object() ? schema.value("type", json()) : json();
  const bool known_type = type.is_string() && std::find(kTypes.begin(), kTypes.end(),
                                                        type.get<std::string>()) != kTypes.end();
  if (!known_type) return Error{wrong.code, wrong.text + "it needs one type"};
  for (const auto& [keyword, rule] : schema.items()) {
    if (std::find(kChecked.begin(), kChecked.end(), keyword) == kChecked.end()) {
      return Error{wrong.code, wrong.text + "nothing here checks \"" + keyword + "\""};
    }
  }
  for (const char* bound : {"minimum", "maximum", "minLength", "maxLength"}) {
    if (schema.contains(bound) && !schema[bound].is_number()) {
      return Error{wrong.code, wrong.text + bound + " is not a number"};
    }
  }
  return {};
}

}  // namespace

Result<Parameters> Parameters::from_openrpc(const json& params) {
  if (!params.is_array()) return Error{ErrorCode::internal, "OpenRPC \"params\" is not an array"};
  Parameters out;
  for (const json& descriptor : params) {
    const bool sound = descriptor.is_object() && descriptor.contains("name") &&
                       descriptor["name"].is_string() && descriptor.contains("schema");
    if (!sound) return Error{ErrorCode::internal, "an OpenRPC parameter lacks its name or schema"};
    const json required = descriptor.value("required", json(false));
    Parameter parameter{descriptor["name"], required == true, descriptor["schema"]};
    CREEL_TRY(check_schema(parameter.name, parameter.schema));
    if (out.find(parameter.name) != nullptr) {
      return Error{ErrorCode::internal, "OpenRPC parameter '" + parameter.name + "' stands twice"};
    }
    out.all_.push_back(std::move(parameter));
  }
  return out;
}

const Parameters::Parameter* Parameters::find(std::string_view name) const {
  const auto found =
      std::find_if(all_.begin(), all_.end(), [&](const Parameter& p) { return p.name == name; });
  return found == all_.end() ? nullptr : &*found;
}

std::string Parameters::names() const {
  std::string list;
  for (const Parameter& parameter : all_) list += (list.empty() ? "" : ", ") + parameter.name;
  return list;
}

Result<json> Parameters::by_name(const json& given) const {
  if (given.is_null()) return json::object();
  if (given.is_object()) return given;
  if (given.size() > all_.size()) {
    return invalid("there are " + std::to_string(given.size()) + " parameters; at most " +
                   std::to_string(all_.size()) + " are allowed" +
                   (all_.empty() ? "" : ": " + names()));
  }
  json named = json::object();
  for (std::size_t i = 0; i < given.size(); ++i) named[all_[i].name] = given[i];
  return named;
}

Result<json> Parameters::check(const json& given) const {
  auto named = by_name(given);
  if (!named.ok()) return named;
  for (const auto& [name, value] : named->items()) {
    const Parameter* parameter = find(name);
    if (parameter == nullptr) {
      return invalid("there is no parameter '" + name.substr(0, 60) + "'; " +
                     (all_.empty() ? std::string("the method has none") : "there are: " + names()));
    }
    CREEL_TRY(check_value(name, value, parameter->schema));
  }
  for (const Parameter& parameter : all_) {
    if (parameter.required && !named->contains(parameter.name)) {
      return invalid("the parameter '" + parameter.name + "' is missing");
    }
  }
  return named;
}

}  // namespace creel::rpc
