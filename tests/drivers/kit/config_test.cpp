#include "drivers/kit/config.h"

#include <gtest/gtest.h>

#include "drivers/kit/kit.h"

namespace creel::kit {
namespace {

std::string message(const std::function<void(Config&)>& read, const char* text) {
  try {
    Config config(nlohmann::json::parse(text));
    read(config);
    config.done();
  } catch (const Failure& failure) {
    EXPECT_EQ(failure.code(), CREEL_E_INVALID);
    return failure.what();
  }
  return "";
}

TEST(Config, AbsentFieldsHaveTheirDefaults) {
  Config config(nlohmann::json::object());
  EXPECT_EQ(config.number("a", 1.5, 0, 2), 1.5);
  EXPECT_EQ(config.integer("b", 3, 0, 9), 3);
  EXPECT_TRUE(config.flag("c", true));
  EXPECT_EQ(config.text("d", "x"), "x");
  EXPECT_EQ(config.choice("e", "y", {"y", "z"}), "y");
  config.done();
}

TEST(Config, MessagesSayFieldGivenAndAllowed) {
  EXPECT_EQ(message([](Config& c) { c.number("gain", 1, 0.5, 10); }, R"({"gain": 11})"),
            "config field gain: given 11; allowed: a number from 0.5 to 10");
  EXPECT_EQ(message([](Config& c) { c.number("gain", 1, 0.5, 10); }, R"({"gain": "high"})"),
            "config field gain: given \"high\"; allowed: a number from 0.5 to 10");
  EXPECT_EQ(message([](Config& c) { c.integer("rows", 1, 1, 64); }, R"({"rows": 2.5})"),
            "config field rows: given 2.5; allowed: a whole number from 1 to 64");
  EXPECT_EQ(message([](Config& c) { c.flag("on", false); }, R"({"on": 1})"),
            "config field on: given 1; allowed: true or false");
  EXPECT_EQ(message(
                [](Config& c) {
                  c.choice("kind", "a", {"a", "b"});
                },
                R"({"kind": "c"})"),
            "config field kind: given \"c\"; allowed: \"a\", \"b\"");
}

TEST(Config, MisspeltFieldsAreNeverIgnored) {
  EXPECT_EQ(message([](Config& c) { c.number("rows", 1, 0, 2); }, R"({"row": 1})"),
            "config field row is not known; known fields: rows");
}

TEST(Config, InnerObjectsNameTheirPlace) {
  EXPECT_EQ(message(
                [](Config& c) {
                  Config world = c.object("world");
                  world.number("power", 1, 0, 2);
                  world.done();
                },
                R"({"world": {"power": -1}})"),
            "config field world.power: given -1; allowed: a number from 0 to 2");
  EXPECT_EQ(message([](Config& c) { c.object("world"); }, R"({"world": 3})"),
            "world: given 3; allowed: a JSON object");
}

}  // namespace
}  // namespace creel::kit
