// The parameters of one method, as its OpenRPC description declares them, and the check of what a
// peer sent.
#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/base/result.h"

namespace creel::rpc {

class Parameters {
 public:
  /// `params` is the "params" array of an OpenRPC method. The schemas may use type, minimum,
  /// maximum, minLength and maxLength (JSON Schema draft-07; lengths in characters) beside
  /// annotations; anything else is refused as internal, so that no rule of the description goes
  /// unchecked.
  static Result<Parameters> from_openrpc(const nlohmann::json& params);

  /// The parameters by name, whether they came by name, by position (in the order declared) or not
  /// at all (null). invalid_request names the first one that is unknown, missing or out of its
  /// range, and what is allowed.
  [[nodiscard]] Result<nlohmann::json> check(const nlohmann::json& given) const;

 private:
  struct Parameter {
    std::string name;
    bool required = false;
    nlohmann::json schema;
  };

  [[nodiscard]] const Parameter* find(std::string_view name) const;
  [[nodiscard]] std::string names() const;
  [[nodiscard]] Result<nlohmann::json> by_name(const nlohmann::json& given) const;

  std::vector<Parameter> all_;
};

}  // namespace creel::rpc
