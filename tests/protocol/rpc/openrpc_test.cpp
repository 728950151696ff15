// openrpc.json against the OpenRPC specification 1.4 (https://spec.open-rpc.org): what its objects
// must have.
#include "protocol/rpc/openrpc.h"

#include <gtest/gtest.h>

#include <cstdlib>
#include <fstream>
#include <iterator>
#include <nlohmann/json.hpp>
#include <set>
#include <string>

#include "protocol/rpc/message.h"

namespace creel::rpc {
namespace {

using nlohmann::json;

json document() {
  return json::parse(openrpc_text());
}

TEST(OpenRpc, IsTheFileOfTheSourceTree) {
  const char* source = std::getenv("CREEL_SOURCE");
  if (source == nullptr) GTEST_SKIP() << "CREEL_SOURCE is not set";
  std::ifstream file(std::string(source) + "/protocol/rpc/openrpc.json", std::ios::binary);
  const std::string text{std::istreambuf_iterator<char>(file), {}};
  EXPECT_EQ(openrpc_text(), text);
}

TEST(OpenRpc, HasTheFieldsThatTheSpecificationRequires) {
  const json doc = document();
  EXPECT_EQ(doc.at("openrpc").get<std::string>().rfind("1.4.", 0), 0U);
  EXPECT_TRUE(doc.at("info").at("title").is_string());
  EXPECT_TRUE(doc.at("info").at("version").is_string());
  ASSERT_FALSE(doc.at("methods").empty());
  for (const auto& [name, value] : doc.items()) {
    const bool known =
        name == "openrpc" || name == "info" || name == "methods" || name == "components";
    EXPECT_TRUE(known || name.rfind("x-", 0) == 0) << name;
  }
}

TEST(OpenRpc, EveryMethodIsNamedOnceAndDescribed) {
  std::set<std::string> names;
  const json doc = document();
  for (const json& method : doc.at("methods")) {
    const std::string name = method.at("name");
    EXPECT_TRUE(names.insert(name).second) << name << " stands twice";
    EXPECT_EQ(name.find_first_not_of("abcdefghijklmnopqrstuvwxyz_."), std::string::npos) << name;
    EXPECT_NE(name.find('.'), std::string::npos) << name;
    EXPECT_FALSE(method.at("summary").get<std::string>().empty()) << name;
    EXPECT_EQ(method.at("paramStructure"), "either") << name;
    EXPECT_TRUE(method.at("result").at("name").is_string()) << name;
    EXPECT_TRUE(method.at("result").at("schema").is_object()) << name;
    bool optional_seen = false;  // by position, what may be left out comes last
    for (const json& parameter : method.at("params")) {
      EXPECT_FALSE(parameter.at("schema").at("description").get<std::string>().empty()) << name;
      const bool required = parameter.at("required");
      EXPECT_FALSE(required && optional_seen) << name;
      optional_seen = optional_seen || !required;
    }
  }
  EXPECT_EQ(names.count("rpc.discover"), 1U);
}

TEST(OpenRpc, EveryReferenceLeadsToSomething) {
  const json doc = document();
  const auto follow = [&doc](const auto& self, const json& value) -> void {
    if (value.is_object() && value.contains("$ref")) {
      const std::string target = value["$ref"];
      ASSERT_EQ(target.rfind("#/", 0), 0U) << target;
      EXPECT_TRUE(doc.contains(json::json_pointer(target.substr(1)))) << target;
    }
    if (value.is_structured()) {
      for (const json& member : value) self(self, member);
    }
  };
  follow(follow, doc);
}

TEST(OpenRpc, TheErrorsCarryTheCodesThatAreSent) {
  const json errors = document().at("components").at("errors");
  EXPECT_EQ(errors.at("too_large").at("code"), kTooLarge);
  for (const auto& [name, error] : errors.items()) {
    EXPECT_FALSE(error.at("message").get<std::string>().empty());
    const auto code = error_code_from(name);
    if (code) {
      EXPECT_EQ(error.at("code"), wire_code(*code)) << name;
    }
  }
  for (int i = 0; i < static_cast<int>(ErrorCode::internal); ++i) {
    EXPECT_TRUE(errors.contains(error_name(static_cast<ErrorCode>(i))));
  }
}

// The safety sentence goes wherever a shutter is handled (IEC 60825-1, ANSI Z136.1).
TEST(OpenRpc, SaysThatAShutterIsNoInterlock) {
  const json doc = document();
  for (const json& method : doc.at("methods")) {
    if (method["name"] != "shutters.close_all" && method["name"] != "devices.list") continue;
    EXPECT_NE(method["description"].get<std::string>().find("not a personnel-safety interlock"),
              std::string::npos);
  }
}

}  // namespace
}  // namespace creel::rpc
