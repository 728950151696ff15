// How every part of Creel reports a failure that can be expected.
//
// A Result<T> holds a value or an Error, never neither. Expected failures (a device is gone, a file
// is damaged, a request is wrong) are Results; broken invariants stop the process
// (CREEL_INVARIANT), because stopping is safer than writing wrong data. No exception crosses a
// public header of Creel.
#pragma once

#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <variant>

namespace creel {

/// One code for each thing that a caller would do about it; the story goes in Error::text.
enum class ErrorCode : std::uint8_t {
  invalid_request,  ///< what was asked is wrong: tell the person, change nothing
  refused,          ///< right, but not in this state: tell the person what to do first
  timed_out,        ///< no answer in time: may be tried again
  device_lost,      ///< the device or its host is gone: restart it
  storage_failed,   ///< the disk did not keep what it was given: never trust that file's tail again
  corrupt,          ///< stored data do not match their checksum or layout
  cancelled,        ///< ended on purpose before it was done
  internal,         ///< a fault of Creel's own
};

/// Stable lower-case name, as used in JSON ("timed_out").
std::string_view error_name(ErrorCode code);
/// The inverse of error_name(); nothing for an unknown name.
std::optional<ErrorCode> error_code_from(std::string_view name);

/// A failure: what to do about it (code) and one plain sentence for a person (text).
struct Error {
  ErrorCode code = ErrorCode::internal;
  std::string text;

  /// The same error seen from further out: "run 42, frame 17: detector: no frame within 200 ms".
  [[nodiscard]] Error during(std::string_view step) const {
    return {code, std::string(step) + ": " + text};
  }
};

template <class T>
class [[nodiscard]] Result {
 public:
  Result(T value)
      : state_(std::in_place_index<0>, std::move(value)) {}  // NOLINT(google-explicit-constructor)
  Result(Error error)
      : state_(std::in_place_index<1>, std::move(error)) {}  // NOLINT(google-explicit-constructor)

  [[nodiscard]] bool ok() const { return state_.index() == 0; }
  explicit operator bool() const { return ok(); }

  /// The value. Stops the process when there is none: check ok() first.
  T& value() & { return require(), std::get<0>(state_); }
  const T& value() const& { return require(), std::get<0>(state_); }
  T&& value() && { return require(), std::get<0>(std::move(state_)); }
  T& operator*() & { return value(); }
  const T& operator*() const& { return value(); }
  T&& operator*() && { return std::move(*this).value(); }
  T* operator->() { return &value(); }
  const T* operator->() const { return &value(); }

  /// The error. Only when !ok().
  [[nodiscard]] const Error& error() const { return std::get<1>(state_); }

 private:
  void require() const {
    if (!ok()) {
      std::fprintf(stderr, "creel: a failed Result was used as a value: %s\n",
                   error().text.c_str());
      std::abort();
    }
  }
  std::variant<T, Error> state_;
};

template <>
class [[nodiscard]] Result<void> {
 public:
  Result() = default;
  Result(Error error) : error_(std::move(error)) {}  // NOLINT(google-explicit-constructor)
  [[nodiscard]] bool ok() const { return !error_.has_value(); }
  explicit operator bool() const { return ok(); }
  [[nodiscard]] const Error& error() const { return *error_; }

 private:
  std::optional<Error> error_;
};

/// Stops the process with a plain sentence when `condition` does not hold. On in every build.
#define CREEL_INVARIANT(condition, sentence)                                             \
  do {                                                                                   \
    if (!(condition)) {                                                                  \
      std::fprintf(stderr, "creel: broken invariant at %s:%d: %s\n", __FILE__, __LINE__, \
                   sentence);                                                            \
      std::abort();                                                                      \
    }                                                                                    \
  } while (false)

/// Returns the error of `expression` (a Result<void>) from the enclosing function, if it failed.
#define CREEL_TRY(expression)                                         \
  do {                                                                \
    if (auto creel_try_result = (expression); !creel_try_result.ok()) \
      return creel_try_result.error();                                \
  } while (false)

}  // namespace creel
