#include "client/report/session_parts.h"

#include <vector>

namespace creel::report {

using nlohmann::json;

Result<std::uint64_t> each_frame(session::Reader& reader, const Progress& progress,
                                 const TakeFrame& take) {
  std::vector<std::byte> frame(reader.documents().shape.bytes());
  std::uint64_t damaged = 0;
  const std::size_t total = reader.records().size();
  for (std::size_t i = 0; i < total; ++i) {
    if (reader.read_frame(i, frame).ok()) {
      CREEL_TRY(take(reader.records()[i], frame));
    } else {
      ++damaged;
    }
    if (progress && !progress(i + 1, total)) {
      return Error{ErrorCode::cancelled, "interrupted; nothing was written"};
    }
  }
  return damaged;
}

json field_of(const json& document, const char* group, const char* field) {
  if (document.is_object() && document.contains(group) && document[group].is_object()) {
    return document[group].value(field, json());
  }
  return {};
}

}  // namespace creel::report
