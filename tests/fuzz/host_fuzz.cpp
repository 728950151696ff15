// Any datagram that a host process could send is read or refused, never a crash; what is read keeps
// to the promises of protocol/host/messages.h.
#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <string_view>

#include "protocol/host/messages.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace creel::host;
  const std::string_view datagram(reinterpret_cast<const char*>(data), size);
  if (const auto message = parse_from_host(datagram); message.ok()) {
    if (message->answer.has_value() == message->event.has_value() || size > kMaxMessageBytes) {
      std::abort();
    }
    if (message->event && (message->event->name.empty() || !message->event->body.is_object())) {
      std::abort();
    }
  } else if (message.error().text.empty()) {
    std::abort();
  }
  if (const auto call = parse_call(datagram); call.ok() && !call->arguments.is_object()) {
    std::abort();
  }
  return 0;
}
