// What the stored frames say so far: the running white-line ratio for `follow` and for the
// precision guard. Runs on the store's thread, after frames are durable: it never delays a frame.
#pragma once

#include <memory>
#include <optional>
#include <span>
#include <string>

#include "daemon/analysis/running_ratio.h"
#include "daemon/guards/guard.h"
#include "protocol/series/series.h"
#include "protocol/session/layout.h"

namespace creel {

class LiveAnswer {
 public:
  /// Nothing when the series has no metal with white lines that are known, no energy axis, or
  /// exposures of many frames.
  static std::unique_ptr<LiveAnswer> make(const Series& series, const std::string& session,
                                          const session::FrameShape& shape);

  /// One durable frame, in order. One thread.
  void take(const session::Record& record, std::span<const std::byte> frame);
  /// The answer when there is a new one. Asked after every batch; worked out anew only after two
  /// per cent more specimen frames, so that its cost stays small however long the night.
  std::optional<RunningAnswer> news();
  /// Why it gave up, once; "" = it has not.
  [[nodiscard]] std::string gave_up() { return std::exchange(trouble_, {}); }

 private:
  explicit LiveAnswer(analysis::RunningRatio ratio) : ratio_(std::move(ratio)) {}
  analysis::RunningRatio ratio_;
  std::uint64_t frames_ = 0;  ///< specimen frames taken
  std::uint64_t next_ = 1;    ///< worked out when there are so many
  bool ended_ = false;
  std::string trouble_;
};

}  // namespace creel
