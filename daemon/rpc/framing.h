// Bytes from a stream in, lines out. Pure.
#pragma once

#include <cstddef>
#include <functional>
#include <string>
#include <string_view>

namespace creel::rpc {

/// Cuts at LF; takes a CR before it off. Of a line longer than the limit only its first limit + 1
/// bytes are handed on, as soon as they are there (the dispatcher answers those with "too large"),
/// and the rest is thrown away up to the next LF: the stream is in step again after it, and no peer
/// makes us hold more.
class LineSplitter {
 public:
  using OnLine = std::function<bool(std::string_view line)>;  ///< false: no more lines, please

  explicit LineSplitter(std::size_t max_line_bytes) : max_(max_line_bytes) {}

  /// Takes the next bytes and hands on every line that they complete; false once `on_line` said so.
  bool feed(std::string_view bytes, const OnLine& on_line);
  /// At the end of the stream: hands on a last line without LF, if there is one.
  void finish(const OnLine& on_line);
  [[nodiscard]] std::size_t held_bytes() const { return partial_.size(); }

 private:
  bool emit(bool whole, const OnLine& on_line);
  std::size_t max_;
  std::string partial_;
  bool skipping_ = false;
};

}  // namespace creel::rpc
