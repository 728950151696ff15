#include "protocol/base/result.h"

#include <array>

namespace creel {
namespace {
struct Name {
  ErrorCode code;
  std::string_view name;
};
constexpr std::array kNames{
    Name{ErrorCode::invalid_request, "invalid_request"},
    Name{ErrorCode::refused, "refused"},
    Name{ErrorCode::timed_out, "timed_out"},
    Name{ErrorCode::device_lost, "device_lost"},
    Name{ErrorCode::storage_failed, "storage_failed"},
    Name{ErrorCode::corrupt, "corrupt"},
    Name{ErrorCode::cancelled, "cancelled"},
    Name{ErrorCode::internal, "internal"},
};
}  // namespace

std::string_view error_name(ErrorCode code) {
  for (const Name& entry : kNames) {
    if (entry.code == code) {
      return entry.name;
    }
  }
  return "internal";
}

std::optional<ErrorCode> error_code_from(std::string_view name) {
  for (const Name& entry : kNames) {
    if (entry.name == name) {
      return entry.code;
    }
  }
  return std::nullopt;
}

}  // namespace creel
