#include "drivers/host/outbox.h"

#include <unistd.h>

#include <algorithm>
#include <array>

#include "protocol/host/channel.h"
#include "protocol/host/messages.h"

namespace creel::host {
namespace {

// Every answer has a call before it and calls are limited, so only a flood of events can get here.
constexpr std::size_t kMostWaiting = 512;

std::string log_event(std::int32_t level, std::string_view text) {
  constexpr std::array kLevels{"debug", "info", "warning", "error"};
  const auto known = static_cast<std::size_t>(std::clamp(level, 0, 3));
  return make_event("log", {{"level", kLevels[known]}, {"text", text}});
}

}  // namespace

void Outbox::send(std::string message) {
  const std::lock_guard lock(mutex_);
  queue_or_send(std::move(message));
}

void Outbox::queue_or_send(std::string text) {
  if (waiting_.empty()) {
    const auto sent = send_message(socket_, text);
    if (!sent.ok() || *sent) {  // when the daemon is gone the safety thread sees it by itself
      return;
    }
  }
  if (waiting_.size() < kMostWaiting) {
    waiting_.push_back(std::move(text));
    const std::uint64_t one = 1;
    [[maybe_unused]] const auto written = ::write(wake_, &one, sizeof one);
  }
}

bool Outbox::may_log() {
  const auto now = std::chrono::steady_clock::now();
  const double passed = std::chrono::duration<double>(now - counted_).count();
  counted_ = now;
  lines_left_ = std::min<double>(kLinesInBurst, lines_left_ + passed * kLinesPerSecond);
  return waiting_.empty() && lines_left_ >= 1;
}

void Outbox::log(std::int32_t level, std::string_view text) {
  const std::lock_guard lock(mutex_);
  if (!may_log()) {
    ++dropped_;
    return;
  }
  lines_left_ -= 1;
  if (dropped_ > 0) {
    queue_or_send(log_event(2, std::to_string(dropped_) +
                                   " lines of the driver's log were dropped: more than " +
                                   std::to_string(kLinesPerSecond) + " a second"));
    dropped_ = 0;
  }
  queue_or_send(log_event(level, text));
}

bool Outbox::waiting() const {
  const std::lock_guard lock(mutex_);
  return !waiting_.empty();
}

void Outbox::flush() {
  const std::lock_guard lock(mutex_);
  while (!waiting_.empty()) {
    const auto sent = send_message(socket_, waiting_.front());
    if (sent.ok() && !*sent) {
      return;
    }
    waiting_.pop_front();
  }
}

}  // namespace creel::host
