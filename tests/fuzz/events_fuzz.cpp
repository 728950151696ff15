// Any bytes given as an events.log are read: whole lines with a right checksum come back, all
// others are counted by their line number, and what was read can be written again and read the
// same.
#include <cstddef>
#include <cstdint>
#include <cstdlib>
#include <string>
#include <string_view>

#include "protocol/session/layout.h"
#include "protocol/session/reader.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace creel::session;
  const std::string_view text(reinterpret_cast<const char*>(data), size);
  const EventLog log = parse_event_log(text);
  if (log.good_bytes > size) {
    std::abort();
  }
  std::string again;
  for (const auto& event : log.events) {
    again += event_line(event.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace));
  }
  const EventLog second = parse_event_log(again);
  if (second.events.size() != log.events.size() || !second.bad_lines.empty() || second.torn) {
    std::abort();
  }
  // A line that is right by construction is read whatever stands before it, once that ends with a
  // line feed.
  const EventLog after = parse_event_log(std::string(text) + "\n" + event_line(R"({"event":"x"})"));
  if (after.events.empty() || after.torn) {
    std::abort();
  }
  return 0;
}
