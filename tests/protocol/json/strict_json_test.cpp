#include "protocol/json/strict_json.h"

#include <gtest/gtest.h>

#include <limits>
#include <string>
#include <vector>

namespace creel {
namespace {

using nlohmann::json;
using Pointer = json::json_pointer;

std::string fault_of(std::string_view text, Limits limits = {},
                     std::string_view origin = "a.json") {
  const auto result = parse_strict(text, limits, origin);
  if (result.ok()) return "no fault: " + result.value().dump();
  EXPECT_EQ(result.error().code, ErrorCode::invalid_request);
  const auto document = Document::parse(text, limits, origin);
  EXPECT_FALSE(document.ok());
  if (!document.ok()) {
    EXPECT_EQ(document.error().text, result.error().text);
  }
  return result.error().text;
}

std::string nested(std::size_t depth) {
  return std::string(depth, '[') + std::string(depth, ']');
}

// The two examples of RFC 8259, section 13, and the three single values given there.
TEST(StrictJson, ReadsTheExamplesOfRfc8259) {
  const auto image = parse_strict(R"({
      "Image": {
          "Width":  800,
          "Height": 600,
          "Title":  "View from 15th Floor",
          "Thumbnail": {
              "Url":    "http://www.example.com/image/481989943",
              "Height": 125,
              "Width":  100
          },
          "Animated" : false,
          "IDs": [116, 943, 234, 38793]
        }
    })");
  ASSERT_TRUE(image.ok()) << image.error().text;
  EXPECT_EQ(image->at("Image").at("Thumbnail").at("Height"), 125);
  EXPECT_EQ(image->at("Image").at("IDs"), json::array({116, 943, 234, 38793}));
  const auto places = parse_strict(R"([
      {"precision": "zip", "Latitude": 37.7668, "Longitude": -122.3959, "Country": "US"},
      {"precision": "zip", "Latitude": 37.371991, "Longitude": -122.026020, "Country": "US"}
    ])");
  ASSERT_TRUE(places.ok()) << places.error().text;
  EXPECT_DOUBLE_EQ(places->at(1).at("Longitude").get<double>(), -122.026020);
  EXPECT_EQ(parse_strict("\"Hello world!\"").value(), "Hello world!");
  EXPECT_EQ(parse_strict("42").value(), 42);
  EXPECT_EQ(parse_strict("true").value(), true);
}

// RFC 8259 section 7: U+1D11E may be written as the pair \uD834\uDD1E; section 8.2 on lone
// surrogates.
TEST(StrictJson, ReadsSurrogatePairsAndRefusesHalfOfOne) {
  EXPECT_EQ(parse_strict(R"("\uD834\uDD1E")").value(), "\xF0\x9D\x84\x9E");
  EXPECT_EQ(fault_of(R"("\uDEAD")"),
            "a.json:1:7: a text holds a wrong escape sequence; JSON has \\\" \\\\ \\/ \\b \\f \\n "
            "\\r \\t "
            "and \\uXXXX (characters above FFFF as a pair)");
}

TEST(StrictJson, RefusesANameThatStandsTwiceInOneObject) {
  EXPECT_EQ(fault_of("{\"dose\": 1,\n  \"dose\": 2}"),
            "a.json:2:8: the name 'dose' stands twice in the same object");
  EXPECT_EQ(fault_of(R"({"a": {"b": 1, "b": 1}})"),
            "a.json:1:18: the name 'b' stands twice in the same object");
  EXPECT_EQ(fault_of(R"({"\u0061": 1, "a": 2})"),
            "a.json:1:17: the name 'a' stands twice in the same object");
  EXPECT_TRUE(parse_strict(R"({"a": {"b": 1}, "b": {"a": 1}})").ok());
}

TEST(StrictJson, NamesWhatAPersonDidWrong) {
  struct Case {
    const char* text;
    const char* sentence;
  };
  const std::vector<Case> cases{
      {"{\"a\": 1,}", "a.json:1:9: '}' stands where a name in double quotes must be"},
      {"[1, 2,]", "a.json:1:7: ']' stands where a value must be"},
      {"[1 2]", "a.json:1:4: '2' stands where , or ] must be"},
      {"{\"a\": 1\n \"b\": 2}", "a.json:2:2: '\"b\"' stands where , or } must be"},
      {"{\"a\" 1}", "a.json:1:6: '1' stands where the : after a name must be"},
      {"{a: 1}", "a.json:1:2: 'a' stands where a name in double quotes must be"},
      {"{1: 1}", "a.json:1:2: '1' stands where a name in double quotes must be"},
      {"{'a': 1}", "a.json:1:2: texts stand in double quotes (\") in JSON"},
      {"// note\n1", "a.json:1:1: comments are not allowed in JSON"},
      {"[1, /* two */ 2]", "a.json:1:5: comments are not allowed in JSON"},
      {"[NaN]",
       "a.json:1:2: 'NaN' is not JSON; a value is a text in double quotes, a finite number, "
       "true, false, null, a list or an object"},
      {"[-Infinity]", "a.json:1:2: '-Infinity' is not a JSON number"},
      {"[01]", "a.json:1:2: '01' is not a JSON number"},
      {"[+1]", "a.json:1:2: '+1' is not a JSON number"},
      {"[.5]", "a.json:1:2: '.5' is not a JSON number"},
      {"[1.5e]", "a.json:1:2: '1.5e' is not a JSON number"},
      {"[True]",
       "a.json:1:2: 'True' is not JSON; a value is a text in double quotes, a finite number, "
       "true, false, null, a list or an object"},
      {"[1.]", "a.json:1:2: '1.' is not a JSON number"},
      {"{} {}", "a.json:1:4: '{' stands after the end of the value"},
      {"[]]", "a.json:1:3: ']' stands after the end of the value"},
      {"[1,\n {\"a\": [2",
       "a.json:2:10: the text ends before the list opened at line 2, column 8 is closed"},
      {"{\n\"a\": 1",
       "a.json:2:7: the text ends before the object opened at line 1, column 1 is closed"},
      {"\"open", "a.json:1:6: the text ends before the value does"},
      {"[\"two\nlines\"]",
       "a.json:1:6: a text holds a raw control character or is not closed on its "
       "line; write \\n or \\t for line ends and tabs, and close it with \""},
      {"", "a.json:1:1: the text is empty; one JSON value is needed"},
      {" \n\t ", "a.json:1:1: the text is empty; one JSON value is needed"},
  };
  for (const Case& test : cases) EXPECT_EQ(fault_of(test.text), test.sentence) << test.text;
}

TEST(StrictJson, CountsColumnsInCharactersAndLinesThroughCrLf) {
  EXPECT_EQ(
      fault_of("{\r\n  \"ä\": \"öü\" x}"),
      "a.json:2:13: 'x' is not JSON; a value is a text in double quotes, a finite number, true, "
      "false, null, a list or an object");
}

TEST(StrictJson, SaysThePlaceInWordsWhenTheTextHasNoName) {
  EXPECT_EQ(fault_of("[1 2]", {}, ""), "line 1, column 4: '2' stands where , or ] must be");
}

// RFC 8259 section 8.1: UTF-8, and no byte order mark is added.
TEST(StrictJson, RefusesByteOrderMarkAndInvalidUtf8AndNul) {
  EXPECT_EQ(fault_of("\xEF\xBB\xBF{}"),
            "a.json:1:1: the text starts with a byte order mark; save it as UTF-8 without one");
  EXPECT_EQ(fault_of("{\"a\": \"\xE4\"}"),
            "a.json:1:9: a text is not valid UTF-8; save the file as UTF-8");
  EXPECT_EQ(fault_of("\"\xC0\xAF\""),  // overlong
            "a.json:1:2: a text is not valid UTF-8; save the file as UTF-8");
  EXPECT_EQ(fault_of("\"\xED\xA0\x80\""),  // a surrogate in UTF-8
            "a.json:1:3: a text is not valid UTF-8; save the file as UTF-8");
  EXPECT_EQ(fault_of(std::string_view("{}\0x", 4)), "a.json:1:3: the text holds a NUL byte");
  EXPECT_EQ(fault_of("[\xFF]").substr(0, 25), "a.json:1:2: '\\xff' is not");
}

TEST(StrictJson, RefusesNumbersThatWouldChangeSilently) {
  EXPECT_EQ(parse_strict("9223372036854775807").value().get<std::int64_t>(),
            std::numeric_limits<std::int64_t>::max());
  EXPECT_EQ(parse_strict("-9223372036854775808").value().get<std::int64_t>(),
            std::numeric_limits<std::int64_t>::min());
  const std::string range =
      "a whole number must lie between -9223372036854775808 and 9223372036854775807";
  EXPECT_EQ(fault_of("9223372036854775808"), "a.json:1:19: " + range);
  EXPECT_EQ(fault_of("[18446744073709551616 ]"), "a.json:1:21: " + range);
  EXPECT_EQ(fault_of("-9223372036854775809"), "a.json:1:20: " + range);
  EXPECT_EQ(fault_of("[1e400]"), "a.json:1:2: the number '1e400' is too large");
  EXPECT_EQ(parse_strict("1e-400").value(), 0.0);  // RFC 8259 section 6: precision may be limited
}

TEST(StrictJson, LimitsDepthSizeAndNumberOfValues) {
  EXPECT_TRUE(parse_strict(nested(64)).ok());
  EXPECT_EQ(fault_of(nested(65)), "a.json:1:65: nested too deeply; at most 64 levels are allowed");
  EXPECT_EQ(fault_of(nested(1'000'000)),
            "a.json:1:65: nested too deeply; at most 64 levels are allowed");
  Limits small;
  small.bytes = 8;
  EXPECT_TRUE(parse_strict("[1,2,34]", small).ok());
  EXPECT_EQ(fault_of("[1,2,345]", small),
            "a.json:1:1: the text has 9 bytes; at most 8 are allowed");
  Limits few;
  few.values = 4;
  EXPECT_TRUE(parse_strict("[1,2,3]", few).ok());
  EXPECT_EQ(fault_of("[1,2,3,\n4]", few),
            "a.json:2:1: too many values; at most 4 are allowed in one text");
}

TEST(StrictJson, EveryPrefixOfAValidTextIsRefusedWithAPlace) {
  const std::string text = R"({"a": [1.5e-3, "x\u00e4", {"b": null}], "c": true})";
  ASSERT_TRUE(parse_strict(text).ok());
  for (std::size_t length = 0; length < text.size(); ++length) {
    const std::string fault = fault_of(std::string_view(text).substr(0, length));
    EXPECT_EQ(fault.rfind("a.json:1:", 0), 0U) << length << ": " << fault;
  }
}

TEST(Document, KnowsTheLineOfEachValue) {
  const auto document = Document::parse(
      "{\n"                           // 1
      "  \"name\": \"x\",\n"          // 2
      "  \"blocks\": [\n"             // 3
      "    {\"a\": 1, \"b\": [10,\n"  // 4
      "      20,\n"                   // 5
      "      30]},\n"                 // 6
      "    {\n"                       // 7
      "      \"count\": 5\n"          // 8
      "    }\n"                       // 9
      "  ],\n"                        // 10
      "  \"odd/name~\":\n"            // 11
      "     true\n"                   // 12
      "}\n");
  ASSERT_TRUE(document.ok()) << document.error().text;
  const auto line = [&](const char* pointer) { return document->line_of(Pointer(pointer)); };
  EXPECT_EQ(line(""), 1);
  EXPECT_EQ(line("/name"), 2);
  EXPECT_EQ(line("/blocks"), 3);
  EXPECT_EQ(line("/blocks/0"), 4);
  EXPECT_EQ(line("/blocks/0/a"), 4);
  EXPECT_EQ(line("/blocks/0/b/0"), 4);
  EXPECT_EQ(line("/blocks/0/b/1"), 5);
  EXPECT_EQ(line("/blocks/0/b/2"), 6);
  EXPECT_EQ(line("/blocks/1"), 7);
  EXPECT_EQ(line("/blocks/1/count"), 8);
  EXPECT_EQ(line("/odd~1name~0"), 12);
}

TEST(Document, AMissingValueStandsWhereItIsMissing) {
  const auto document = Document::parse("{\n \"a\": {\n  \"b\": 1}}");
  ASSERT_TRUE(document.ok());
  EXPECT_EQ(document->line_of(Pointer("/a/c/d")), 2);
  EXPECT_EQ(document->line_of(Pointer("/z")), 1);
  EXPECT_EQ(document->line_of(Pointer("/a/b/0")), 3);
}

TEST(Document, LinesHoldForCrLfAndForASingleNumber) {
  const auto crlf = Document::parse("{\r\n\"a\": 1\r\n,\r\n\"b\": [2\r\n]}");
  ASSERT_TRUE(crlf.ok()) << crlf.error().text;
  EXPECT_EQ(crlf->line_of(Pointer("/a")), 2);
  EXPECT_EQ(crlf->line_of(Pointer("/b")), 4);
  EXPECT_EQ(crlf->line_of(Pointer("/b/0")), 4);
  const auto number = Document::parse("\n\n7");
  ASSERT_TRUE(number.ok());
  EXPECT_EQ(number->line_of(Pointer("")), 3);
}

}  // namespace
}  // namespace creel
