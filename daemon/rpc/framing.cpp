#include "daemon/rpc/framing.h"

namespace creel::rpc {

bool LineSplitter::feed(std::string_view bytes, const OnLine& on_line) {
  while (!bytes.empty()) {
    const std::size_t end = bytes.find('\n');
    const bool complete = end != std::string_view::npos;
    const std::string_view piece = bytes.substr(0, end);
    bytes.remove_prefix(complete ? end + 1 : bytes.size());
    if (!skipping_) {
      const std::size_t room = max_ + 1 - partial_.size();
      partial_.append(piece.substr(0, room));
      const bool whole = complete && piece.size() <= room;
      const bool too_long = partial_.size() > max_;
      if ((whole || too_long) && !emit(whole, on_line)) return false;
      skipping_ = too_long;
    }
    if (complete) skipping_ = false;
  }
  return true;
}

void LineSplitter::finish(const OnLine& on_line) {
  if (!skipping_ && !partial_.empty()) emit(true, on_line);
}

bool LineSplitter::emit(bool whole, const OnLine& on_line) {
  std::string line;
  line.swap(partial_);
  if (whole && !line.empty() && line.back() == '\r') line.pop_back();
  return on_line(line);
}

}  // namespace creel::rpc
