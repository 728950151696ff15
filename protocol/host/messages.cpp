#include "protocol/host/messages.h"

#include <utility>

#include "protocol/json/strict_json.h"

namespace creel::host {
namespace {

using nlohmann::json;

constexpr std::size_t kLongestName = 64;
constexpr std::size_t kLongestErrorText = 4096;
constexpr Limits kLimits{kMaxMessageBytes, 32, 16 * 1024};

Error wrong(const std::string& what) {
  return {ErrorCode::invalid_request, "message: " + what};
}

// Invalid UTF-8 becomes U+FFFD: a driver's broken string must not break the conversation.
std::string text_of(const json& message) {
  return message.dump(-1, ' ', false, json::error_handler_t::replace);
}

// Cut between characters: half of one would be invalid UTF-8.
std::string cut(std::string text, std::size_t most) {
  if (text.size() > most) {
    while (most > 0 && (static_cast<unsigned char>(text[most]) & 0xC0U) == 0x80U) {
      --most;
    }
    text.resize(most);
  }
  return text;
}

Result<json> parse_object(std::string_view datagram) {
  if (datagram.size() > kMaxMessageBytes) {
    return wrong(std::to_string(datagram.size()) + " bytes; at most " +
                 std::to_string(kMaxMessageBytes) + " are allowed");
  }
  auto parsed = parse_strict(datagram, kLimits, "message");
  if (parsed.ok() && !parsed->is_object()) {
    return wrong("must be a JSON object");
  }
  return parsed;
}

Result<std::uint64_t> id_of(const json& message) {
  const auto id = message.find("id");
  if (id == message.end() || !id->is_number_integer() ||
      (!id->is_number_unsigned() && id->get<std::int64_t>() < 0)) {
    return wrong("\"id\" must be a whole number from 0");
  }
  return id->get<std::uint64_t>();
}

// "open_shutter", "frames_ended": what calls and events are named.
Result<std::string> name_in(const json& message, const char* key) {
  const auto found = message.find(key);
  const auto* name = found == message.end() ? nullptr : found->get_ptr<const std::string*>();
  if (name == nullptr || name->empty() || name->size() > kLongestName ||
      name->find_first_not_of("abcdefghijklmnopqrstuvwxyz_") != std::string::npos) {
    return wrong('"' + std::string(key) + "\" must be 1 to 64 letters a-z and '_'");
  }
  return *name;
}

Result<void> read_error(const json& error, Error& result) {
  const auto code = error.find("code");
  const auto text = error.find("text");
  if (code == error.end() || text == error.end() || !code->is_string() || !text->is_string()) {
    return wrong("\"error\" must be an object with strings \"code\" and \"text\"");
  }
  const auto known = error_code_from(code->get_ref<const std::string&>());
  if (!known) {
    return wrong("there is no error code '" + cut(code->get<std::string>(), kLongestName) + "'");
  }
  result = {*known, cut(text->get<std::string>(), kLongestErrorText)};
  return {};
}

Result<FromHost> parse_event(json message) {
  auto name = name_in(message, "event");
  if (!name.ok()) {
    return name.error();
  }
  FromHost result;
  result.event = Event{std::move(*name), std::move(message)};
  return result;
}

Result<FromHost> parse_answer(json message) {
  const auto id = id_of(message);
  if (!id.ok()) {
    return id.error();
  }
  const auto ok = message.find("ok");
  const auto error = message.find("error");
  if ((ok == message.end()) == (error == message.end())) {
    return wrong("an answer must have one of \"ok\" and \"error\"");
  }
  if (!(ok != message.end() ? ok : error)->is_object()) {
    return wrong("\"ok\" and \"error\" must be objects");
  }
  FromHost result;
  if (ok != message.end()) {
    result.answer = Answer{*id, Result<json>(std::move(*ok))};
    return result;
  }
  Error told;
  CREEL_TRY(read_error(*error, told));
  result.answer = Answer{*id, Result<json>(std::move(told))};
  return result;
}

}  // namespace

Result<FromHost> parse_from_host(std::string_view datagram) {
  auto message = parse_object(datagram);
  if (!message.ok()) {
    return message.error();
  }
  const bool event = message->contains("event");
  if (event == message->contains("id")) {
    return wrong("must have one of \"id\" and \"event\"");
  }
  return event ? parse_event(std::move(*message)) : parse_answer(std::move(*message));
}

Result<Call> parse_call(std::string_view datagram) {
  auto message = parse_object(datagram);
  if (!message.ok()) {
    return message.error();
  }
  const auto id = id_of(*message);
  if (!id.ok()) {
    return id.error();
  }
  auto name = name_in(*message, "call");
  if (!name.ok()) {
    return name.error();
  }
  return Call{*id, std::move(*name), std::move(*message)};
}

std::string make_call(std::uint64_t id, std::string_view name, json arguments) {
  if (!arguments.is_object()) {
    arguments = json::object();
  }
  arguments["id"] = id;
  arguments["call"] = name;
  return text_of(arguments);
}

std::string make_answer(std::uint64_t id, const json& ok) {
  std::string text = text_of({{"id", id}, {"ok", ok}});
  if (text.size() > kMaxMessageBytes) {
    return make_answer(id,
                       Error{ErrorCode::internal, "the answer has " + std::to_string(text.size()) +
                                                      " bytes; a message holds at most " +
                                                      std::to_string(kMaxMessageBytes)});
  }
  return text;
}

std::string make_answer(std::uint64_t id, const Error& error) {
  const json body = {{"code", error_name(error.code)},
                     {"text", cut(error.text, kLongestErrorText)}};
  return text_of({{"id", id}, {"error", body}});
}

std::string make_event(std::string_view name, json body) {
  if (!body.is_object()) {
    body = json::object();
  }
  body["event"] = name;
  std::string text = text_of(body);
  if (text.size() > kMaxMessageBytes) {  // what it was about is lost, that it came is not
    text = text_of({{"event", name}, {"cut", text.size()}});
  }
  return text;
}

}  // namespace creel::host
