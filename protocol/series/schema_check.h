// Checks a document against a JSON Schema (draft-07) and says each fault in one sentence of ours:
// valijson finds the faults, the schema's own keywords (with x-unit and x-form) say what is
// allowed. Internal to protocol/series.
#pragma once

#include <memory>
#include <nlohmann/json.hpp>
#include <string_view>

#include "protocol/series/faults.h"

namespace creel::documents {

/// A schema ready for use. Immutable: any number of threads may check with it at once.
class SchemaCheck {
 public:
  /// `schema` is one of ours, built in: a schema that cannot be read is a broken invariant.
  explicit SchemaCheck(std::string_view schema);
  ~SchemaCheck();
  SchemaCheck(const SchemaCheck&) = delete;
  SchemaCheck& operator=(const SchemaCheck&) = delete;

  /// Adds an error for every fault. True when there is none.
  bool check(const Document& document, Faults& faults) const;

 private:
  struct Parts;
  std::unique_ptr<Parts> parts_;
};

}  // namespace creel::documents
