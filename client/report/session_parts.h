// What everything that reads a session for a report shares.
#pragma once

#include <cstdint>
#include <functional>
#include <nlohmann/json.hpp>
#include <span>

#include "protocol/base/result.h"
#include "protocol/session/reader.h"

namespace creel::report {

/// Told after every frame; false ends the work with ErrorCode::cancelled. May be empty.
using Progress = std::function<bool(std::uint64_t done, std::uint64_t total)>;

using TakeFrame =
    std::function<Result<void>(const session::Record&, std::span<const std::byte> frame)>;

/// Hands every intact frame to `take`, in order, and says how many are damaged. Ends with the first
/// error of `take`, and with cancelled.
Result<std::uint64_t> each_frame(session::Reader& reader, const Progress& progress,
                                 const TakeFrame& take);

/// document[group][field], or null where either is not there: the document may come from anywhere.
nlohmann::json field_of(const nlohmann::json& document, const char* group, const char* field);

}  // namespace creel::report
