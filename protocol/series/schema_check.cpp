#include "protocol/series/schema_check.h"

#include <algorithm>
#include <charconv>
#include <cmath>
#include <optional>
#include <set>
#include <string>
#include <valijson/adapters/nlohmann_json_adapter.hpp>
#include <valijson/schema.hpp>
#include <valijson/schema_parser.hpp>
#include <valijson/validator.hpp>
#include <vector>

namespace creel::documents {
namespace {

using nlohmann::json;
using Adapter = valijson::adapters::NlohmannJsonAdapter;

constexpr std::size_t kMostFaults = 1000;  // more than anyone reads; the rest is not looked at

/// The keywords that apply at one place of the schema, $ref followed.
const json& resolved(const json& root, const json& node) {
  const json* at = &node;
  while (at->is_object() && at->contains("$ref")) {
    const auto target = at->at("$ref").get<std::string>();  // "#/definitions/NAME"
    at = &root.at(Pointer(target.substr(1)));
  }
  return *at;
}

/// The schema of the value at `tokens`; nothing for a place the schema does not describe.
const json* schema_at(const json& root, const std::vector<std::string>& tokens) {
  const json* node = &root;
  for (const std::string& token : tokens) {
    node = &resolved(root, *node);
    if (node->contains("properties") && node->at("properties").contains(token)) {
      node = &node->at("properties").at(token);
    } else if (node->contains("items")) {
      node = &node->at("items");
    } else {
      return nullptr;
    }
  }
  return &resolved(root, *node);
}

std::string range_text(const json& node) {
  const bool above = node.contains("exclusiveMinimum");
  const char* low_key = above ? "exclusiveMinimum" : "minimum";
  const bool low = node.contains(low_key);
  const bool high = node.contains("maximum");
  const auto bound = [&](const char* key) {
    const json& value = node.at(key);
    return value.is_number_integer() ? value.dump() : plain(value.get<double>());
  };
  if (above && high) return ", above " + bound(low_key) + " and at most " + bound("maximum");
  if (above) return ", above " + bound(low_key);
  if (low && high) return ", " + bound(low_key) + " to " + bound("maximum");
  if (low) return ", at least " + bound(low_key);
  return high ? ", at most " + bound("maximum") : "";
}

std::string list_text(const json& values) {
  std::string text;
  for (std::size_t i = 0; i < values.size(); ++i) {
    text += (i == 0 ? "" : i + 1 == values.size() ? " or " : ", ") + values[i].dump();
  }
  return text;
}

/// What the schema allows, for a person: "a number of seconds, 1e-6 to 86400".
std::string allowed_text(const json& root, const json& given) {
  const json& node = resolved(root, given);
  if (node.contains("x-form")) return node.at("x-form").get<std::string>();
  if (node.contains("anyOf")) {
    std::string text;
    for (const json& choice : node.at("anyOf")) {
      text += (text.empty() ? "" : ", or ") + allowed_text(root, choice);
    }
    return text;
  }
  if (node.contains("const")) return node.at("const").dump();
  if (node.contains("enum")) return list_text(node.at("enum"));
  const std::string type = node.value("type", "");
  const std::string unit =
      node.contains("x-unit") ? " of " + node.at("x-unit").get<std::string>() : "";
  if (type == "number") return "a number" + unit + range_text(node);
  if (type == "integer") return "a whole number" + unit + range_text(node);
  if (type == "boolean") return "true or false";
  if (type == "string") return "a text";
  return type == "array" ? "a list" : "an object";
}

/// Whether a number may stand at this place.
bool allows_number(const json& root, const json& given) {
  const json& node = resolved(root, given);
  if (node.contains("anyOf")) {
    return std::any_of(node.at("anyOf").begin(), node.at("anyOf").end(),
                       [&](const json& choice) { return allows_number(root, choice); });
  }
  const std::string type = node.value("type", "");
  return type == "number" || type == "integer";
}

/// What a person most often did when a number is wrong; "" when nothing comes to mind.
std::string number_hint(const json& root, const json& node, const json& value) {
  if (!allows_number(root, node)) return "";
  if (value.is_number_float() && std::trunc(value.get<double>()) == value.get<double>() &&
      node.value("type", "") == "integer") {
    return ", written without a decimal point";
  }
  if (!value.is_string()) return "";
  const auto& text = value.get_ref<const std::string&>();
  double number = 0;
  const auto end = text.data() + text.size();
  const auto [stop, fault] = std::from_chars(text.data(), end, number);
  return fault == std::errc() && stop == end ? ", written without quotes" : "";
}

std::vector<std::string> field_names(const json& node) {
  std::vector<std::string> names;
  for (const auto& [name, schema] : node.at("properties").items()) names.push_back(name);
  return names;
}

/// One place at which valijson found something wrong.
struct Place {
  std::vector<std::string> tokens;
  Pointer pointer;
  const json* value = nullptr;
};

/// Fields that the schema does not know, and fields that are missing. A misspelt field that is
/// required is one fault, not two. Returns how many were found.
std::size_t explain_object(const json& root, const json& node, const Place& place, Faults& faults) {
  std::size_t found = 0;
  std::set<std::string> meant;
  const std::vector<std::string> names = field_names(node);
  for (const auto& [name, value] : place.value->items()) {
    if (node.at("properties").contains(name)) continue;
    ++found;
    const std::string near = nearest(name, names);
    std::string list;
    for (const std::string& known : names) list += (list.empty() ? "" : ", ") + known;
    faults.error(place.pointer / name,
                 "there is no such field here; " +
                     (near.empty() ? "the fields are " + list : "did you mean " + near + "?"));
    meant.insert(near);
  }
  for (const json& required : node.value("required", json::array())) {
    const auto name = required.get<std::string>();
    if (place.value->contains(name) || meant.count(name) > 0) continue;
    ++found;
    faults.error(place.pointer / name,
                 "missing; must be " + allowed_text(root, node.at("properties").at(name)));
  }
  return found;
}

/// Whether a list breaks a rule of its own, not only one of its items.
bool wrong_length(const json& node, const json& list) {
  return list.size() < node.value("minItems", std::size_t{0}) ||
         list.size() > node.value("maxItems", list.size());
}

/// Turns one place into sentences. `last` is true when no fault was found inside this value.
void explain(const json& root, const Place& place, bool last, Faults& faults) {
  const json* node = schema_at(root, place.tokens);
  if (node == nullptr) return;  // an unknown field: said at its parent
  const std::string type = node->value("type", "");
  if (type == "object" && place.value->is_object() && node->contains("properties")) {
    if (explain_object(root, *node, place, faults) > 0 || !last) return;
  }
  if (type == "array" && place.value->is_array() && !wrong_length(*node, *place.value) && !last)
    return;
  faults.error(place.pointer, "got " + got_text(*place.value) + "; must be " +
                                  allowed_text(root, *node) +
                                  number_hint(root, *node, *place.value));
}

/// valijson's context ("<root>", "[blocks]", "[2]") as a place in the document.
std::optional<Place> place_of(const json& document, const std::vector<std::string>& context) {
  Place place;
  place.value = &document;
  for (std::size_t i = 1; i < context.size(); ++i) {
    const std::string token = context[i].substr(1, context[i].size() - 2);
    if (place.value->is_object() && place.value->contains(token)) {
      place.value = &place.value->at(token);
    } else if (place.value->is_array()) {
      place.value = &place.value->at(std::stoull(token));
    } else {
      return std::nullopt;
    }
    place.tokens.push_back(token);
    place.pointer /= token;
  }
  return place;
}

bool starts_with(const std::vector<std::string>& longer, const std::vector<std::string>& shorter) {
  return longer.size() > shorter.size() &&
         std::equal(shorter.begin(), shorter.end(), longer.begin());
}

}  // namespace

struct SchemaCheck::Parts {
  json tree;
  valijson::Schema schema;
};

SchemaCheck::SchemaCheck(std::string_view schema) : parts_(std::make_unique<Parts>()) {
  auto tree = parse_strict(schema, {}, "schema");
  CREEL_INVARIANT(tree.ok(), "a built-in schema is not JSON");
  parts_->tree = std::move(tree).value();
  valijson::SchemaParser parser(valijson::SchemaParser::kDraft7);
  parser.populateSchema(Adapter(parts_->tree), parts_->schema);
}

SchemaCheck::~SchemaCheck() = default;

bool SchemaCheck::check(const Document& document, Faults& faults) const {
  valijson::Validator validator;
  valijson::ValidationResults results;
  if (validator.validate(parts_->schema, Adapter(document.value), &results)) return true;
  // Deepest first within a branch: a set of contexts in order puts each value before what is inside
  // it.
  std::set<std::vector<std::string>> contexts;
  for (const auto& result : results) {
    contexts.insert(result.context);
    if (contexts.size() >= kMostFaults) break;
  }
  for (auto context = contexts.begin(); context != contexts.end(); ++context) {
    const auto next = std::next(context);
    const bool last = next == contexts.end() || !starts_with(*next, *context);
    if (const auto place = place_of(document.value, *context)) {
      explain(parts_->tree, *place, last, faults);
    }
  }
  if (!faults.any()) faults.error(Pointer(), "does not follow the schema");
  return false;
}

}  // namespace creel::documents
