// Whatever stands in a datagram of the control socket: it is read or refused, and what was read can
// be said again and means the same.
#include <cstdint>
#include <cstdlib>
#include <string_view>

#include "protocol/host/messages.h"

namespace {

void require(bool condition) {
  if (!condition) {
    std::abort();
  }
}

void from_host(std::string_view datagram) {
  namespace host = creel::host;
  auto parsed = host::parse_from_host(datagram);
  if (!parsed.ok()) {
    require(parsed.error().code == creel::ErrorCode::invalid_request);
    return;
  }
  require(parsed->answer.has_value() != parsed->event.has_value());
  if (parsed->event) {
    const std::string text = host::make_event(parsed->event->name, parsed->event->body);
    require(text.size() <= host::kMaxMessageBytes);
    require(host::parse_from_host(text)->event->name == parsed->event->name);
    return;
  }
  const auto& result = parsed->answer->result;
  const std::string text = result.ok() ? host::make_answer(parsed->answer->id, *result)
                                       : host::make_answer(parsed->answer->id, result.error());
  const auto again = host::parse_from_host(text);
  require(again.ok() && again->answer->id == parsed->answer->id);
}

void call(std::string_view datagram) {
  namespace host = creel::host;
  auto parsed = host::parse_call(datagram);
  if (!parsed.ok()) {
    require(parsed.error().code == creel::ErrorCode::invalid_request);
    return;
  }
  require(parsed->arguments.is_object());
  const auto text = host::make_call(parsed->id, parsed->name, parsed->arguments);
  if (text.size() <= host::kMaxMessageBytes) {  // escapes may make it longer than it came
    const auto again = host::parse_call(text);
    require(again.ok() && again->id == parsed->id && again->name == parsed->name);
  }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string_view datagram(reinterpret_cast<const char*>(data), size);
  from_host(datagram);
  call(datagram);
  return 0;
}
