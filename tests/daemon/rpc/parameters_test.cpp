#include "daemon/rpc/parameters.h"

#include <gtest/gtest.h>

namespace creel::rpc {
namespace {

using nlohmann::json;

Parameters parameters() {
  return Parameters::from_openrpc(json::parse(R"([
    {"name": "area", "required": true, "schema": {"type": "string", "minLength": 1, "maxLength": 5}},
    {"name": "dose", "required": true, "schema": {"type": "number", "minimum": 0, "maximum": 10}},
    {"name": "count", "schema": {"type": "integer"}},
    {"name": "dry", "schema": {"type": "boolean"}},
    {"name": "list", "schema": {"type": "array"}},
    {"name": "more", "schema": {"type": "object"}}])"))
      .value();
}

std::string fault(const char* given) {
  const auto checked = parameters().check(json::parse(given));
  if (checked.ok()) return "";
  EXPECT_EQ(checked.error().code, ErrorCode::invalid_request);
  return checked.error().text;
}

TEST(RpcParameters, TakesThemByNameAndByPosition) {
  const json expected = {{"area", "C4"}, {"dose", 1.5}, {"count", 3}};
  EXPECT_EQ(*parameters().check(json::parse(R"({"count": 3, "area": "C4", "dose": 1.5})")),
            expected);
  EXPECT_EQ(*parameters().check(json::parse(R"(["C4", 1.5, 3])")), expected);
  EXPECT_EQ(*Parameters::from_openrpc(json::array())->check(nullptr), json::object());
  EXPECT_EQ(*Parameters::from_openrpc(json::array())->check(json::array()), json::object());
}

TEST(RpcParameters, NamesWhatIsWrongAndWhatIsAllowed) {
  EXPECT_EQ(fault(R"({"aera": "C4", "dose": 1})"),
            "there is no parameter 'aera'; there are: area, dose, count, dry, list, more");
  EXPECT_EQ(fault(R"({"area": "C4"})"), "the parameter 'dose' is missing");
  EXPECT_EQ(fault(R"({"area": "C4", "dose": "1"})"),
            "parameter 'dose' must be a number; it is \"1\"");
  EXPECT_EQ(fault(R"({"area": "C4", "dose": null})"),
            "parameter 'dose' must be a number; it is null");
  EXPECT_EQ(fault(R"({"area": "C4", "dose": -1})"),
            "parameter 'dose' is -1; it must be at least 0");
  EXPECT_EQ(fault(R"({"area": "C4", "dose": 11})"),
            "parameter 'dose' is 11; it must be at most 10");
  EXPECT_EQ(fault(R"({"area": "", "dose": 1})"), "parameter 'area' is empty");
  EXPECT_EQ(fault(R"({"area": "123456", "dose": 1})"),
            "parameter 'area' has 6 characters; at most 5 are allowed");
  EXPECT_EQ(fault(R"({"area": ["C4"], "dose": 1})"),
            "parameter 'area' must be a string; it is an array");
  EXPECT_EQ(fault(R"(["C4", 1, 2, true, [], {}, 7])"),
            "there are 7 parameters; at most 6 are allowed: area, dose, count, dry, list, more");
  EXPECT_EQ(fault("null"), "the parameter 'area' is missing");
}

// JSON Schema draft-07 (validation, section 6.1.1): a number without a fraction is an integer, 1.0
// too; a boolean is not. Section 6.3: the length of a string is counted in characters.
TEST(RpcParameters, FollowsTheSchemaStandard) {
  EXPECT_EQ(fault(R"({"area": "C4", "dose": 1, "count": 2.0})"), "");
  EXPECT_NE(fault(R"({"area": "C4", "dose": 1, "count": 2.5})"), "");
  EXPECT_NE(fault(R"({"area": "C4", "dose": true})"), "");
  EXPECT_EQ(fault(R"({"area": "åßç€x", "dose": 1})"), "");
  EXPECT_EQ(fault(R"({"area": "C4", "dose": 10, "dry": false, "list": [1], "more": {"a": 1}})"),
            "");
}

TEST(RpcParameters, RefusesADescriptionWithARuleThatIsNotChecked) {
  for (
      const char* bad :
      {R"([{"name": "a", "schema": {"type": "string", "pattern": "x"}}])",
       R"([{"name": "a", "schema": {}}])",
       R"([{"name": "a", "schema": {"type": ["string", "null"]}}])", R"([{"name": "a"}])",
       R"([{"schema": {}}])", R"([{"name": "a", "schema": {"type": "number", "minimum": "0"}}])",
       R"({})",
       R"([{"name": "a", "schema": {"type": "string"}}, {"name": "a", "schema": {"type": "string"}}])"}) {
    EXPECT_FALSE(Parameters::from_openrpc(json::parse(bad)).ok()) << bad;
  }
}

}  // namespace
}  // namespace creel::rpc
