// The description of creeld's interface (openrpc.json, OpenRPC 1.4), as compiled in.
#pragma once

#include <string_view>

namespace creel::rpc {

/// The text of openrpc.json: one JSON object. Static storage.
std::string_view openrpc_text();

}  // namespace creel::rpc
