#include "protocol/host/messages.h"

#include <gtest/gtest.h>

#include <string>

namespace creel::host {
namespace {

using nlohmann::json;

TEST(HostMessages, ACallIsReadAsItWasMade) {
  const auto call = parse_call(make_call(7, "open_shutter", {{"open_for_ns", 2'000'000'000}}));
  ASSERT_TRUE(call.ok()) << call.error().text;
  EXPECT_EQ(call->id, 7U);
  EXPECT_EQ(call->name, "open_shutter");
  EXPECT_EQ(call->arguments["open_for_ns"], 2'000'000'000);
  EXPECT_EQ(parse_call(make_call(8, "ping", nullptr))->name, "ping");
}

TEST(HostMessages, AnAnswerIsReadAsItWasMade) {
  const auto answer = parse_from_host(make_answer(3, json{{"rows", 256}}));
  ASSERT_TRUE(answer.ok()) << answer.error().text;
  ASSERT_TRUE(answer->answer.has_value());
  EXPECT_FALSE(answer->event.has_value());
  EXPECT_EQ(answer->answer->id, 3U);
  EXPECT_EQ(answer->answer->result.value()["rows"], 256);
}

TEST(HostMessages, EveryErrorCodeArrivesWithItsSentence) {
  for (const ErrorCode code : {ErrorCode::invalid_request, ErrorCode::refused, ErrorCode::timed_out,
                               ErrorCode::device_lost, ErrorCode::storage_failed,
                               ErrorCode::corrupt, ErrorCode::cancelled, ErrorCode::internal}) {
    const auto answer = parse_from_host(make_answer(4, Error{code, "the interlock is open"}));
    ASSERT_TRUE(answer.ok()) << answer.error().text;
    ASSERT_FALSE(answer->answer->result.ok());
    EXPECT_EQ(answer->answer->result.error().code, code);
    EXPECT_EQ(answer->answer->result.error().text, "the interlock is open");
  }
}

TEST(HostMessages, AnEventIsReadAsItWasMade) {
  const auto event =
      parse_from_host(make_event("safe", {{"why", "lease ended"}, {"state", nullptr}}));
  ASSERT_TRUE(event.ok()) << event.error().text;
  ASSERT_TRUE(event->event.has_value());
  EXPECT_EQ(event->event->name, "safe");
  EXPECT_EQ(event->event->body["why"], "lease ended");
}

TEST(HostMessages, WhatAHostMayNotSayIsRefused) {
  for (const char* text : {"",
                           " ",
                           "null",
                           "[]",
                           "7",
                           "{",
                           "{}",
                           R"({"id":1})",
                           R"({"id":-1,"ok":{}})",
                           R"({"id":1.5,"ok":{}})",
                           R"({"id":"1","ok":{}})",
                           R"({"id":1,"ok":[]})",
                           R"({"id":1,"ok":null})",
                           R"({"id":1,"ok":{},"error":{}})",
                           R"({"id":1,"error":{}})",
                           R"({"id":1,"error":{"code":"refused"}})",
                           R"({"id":1,"error":{"code":"unheard_of","text":"x"}})",
                           R"({"id":1,"error":{"code":3,"text":"x"}})",
                           R"({"id":1,"error":"refused"})",
                           R"({"event":7})",
                           R"({"event":""})",
                           R"({"event":"Log"})",
                           R"({"event":"log","id":1,"ok":{}})",
                           R"({"id":1,"ok":{},"id":2})",
                           R"({"id":1,"ok":{"x":NaN}})",
                           "{\"event\":\"\xff\"}",
                           R"({"event":"log"} {"event":"log"})"}) {
    const auto parsed = parse_from_host(text);
    ASSERT_FALSE(parsed.ok()) << text;
    EXPECT_EQ(parsed.error().code, ErrorCode::invalid_request) << text;
  }
}

TEST(HostMessages, WhatIsNoCallIsRefused) {
  for (const char* text :
       {"", "{}", R"({"call":"ping"})", R"({"id":1})", R"({"id":1,"call":""})",
        R"({"id":1,"call":"Open Sesame"})", R"({"id":-3,"call":"ping"})", R"(["ping"])"}) {
    EXPECT_EQ(parse_call(text).error().code, ErrorCode::invalid_request) << text;
  }
  EXPECT_FALSE(parse_call(R"({"id":1,"call":")" + std::string(65, 'a') + R"("})").ok());
}

TEST(HostMessages, LengthAndDepthAreBounded) {
  const std::string padding(kMaxMessageBytes, ' ');
  EXPECT_FALSE(parse_from_host(R"({"event":"log"})" + padding).ok());
  EXPECT_TRUE(parse_from_host(R"({"event":"log"})" + padding.substr(15)).ok());
  const std::string deep =
      R"({"event":"log","x":)" + std::string(1000, '[') + std::string(1000, ']') + "}";
  EXPECT_FALSE(parse_from_host(deep).ok());
}

TEST(HostMessages, AnAnswerThatIsTooLongBecomesAnErrorOfTheSameCall) {
  const std::string text = make_answer(9, json{{"x", std::string(kMaxMessageBytes, 'x')}});
  EXPECT_LE(text.size(), kMaxMessageBytes);
  const auto parsed = parse_from_host(text);
  ASSERT_TRUE(parsed.ok()) << parsed.error().text;
  EXPECT_EQ(parsed->answer->id, 9U);
  EXPECT_EQ(parsed->answer->result.error().code, ErrorCode::internal);
}

TEST(HostMessages, AnEventThatIsTooLongKeepsItsName) {
  const std::string text = make_event("log", {{"text", std::string(kMaxMessageBytes, 'x')}});
  EXPECT_LE(text.size(), kMaxMessageBytes);
  EXPECT_EQ(parse_from_host(text)->event->name, "log");
}

TEST(HostMessages, TextThatIsNoUtf8OrTooLongIsMendedAndNeverBreaksAMessage) {
  const auto mended = parse_from_host(make_answer(1, Error{ErrorCode::internal, "bad \xc3( byte"}));
  ASSERT_TRUE(mended.ok());
  EXPECT_EQ(mended->answer->result.error().text, "bad \uFFFD( byte");

  // 4096 bytes would end in the middle of a three-byte character.
  std::string euros;
  for (int i = 0; i < 2000; ++i) {
    euros += "\u20ac";
  }
  const auto cut = parse_from_host(make_answer(1, Error{ErrorCode::internal, euros}));
  ASSERT_TRUE(cut.ok());
  const std::string& text = cut->answer->result.error().text;
  EXPECT_EQ(text.size(), 4095U);
  EXPECT_EQ(text, euros.substr(0, 4095));
}

}  // namespace
}  // namespace creel::host
