// What the stored frames say so far: the running white-line ratio for `follow` and for the
// precision guard, and what single frames show for the guards that watch them. Runs on the store's
// thread, after frames are durable: it never delays a frame.
#pragma once

#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <span>
#include <string>
#include <utility>
#include <vector>

#include "daemon/analysis/running_measures.h"
#include "daemon/analysis/running_ratio.h"
#include "daemon/guards/guard.h"
#include "protocol/series/series.h"
#include "protocol/session/layout.h"

namespace creel {

class LiveAnswer {
 public:
  /// Nothing when the series has no energy axis, exposures of many frames, or neither a metal with
  /// white lines that are known nor a guard that watches frames.
  /// @param detector  what the detector says of itself (drivers/kit/kit.h), for its gain.
  static std::unique_ptr<LiveAnswer> make(const Series& series, const std::string& session,
                                          const session::FrameShape& shape,
                                          const nlohmann::json& detector);

  /// One durable frame, in order. One thread.
  void take(const session::Record& record, std::span<const std::byte> frame);
  /// A frame from before a restart, in order, before the first take(). What it showed was told
  /// then.
  void remember(const session::Record& record, std::span<const std::byte> frame) {
    take(record, frame);
    measured_.clear();
  }
  /// The answer when there is a new one. Asked after every batch; worked out anew only after two
  /// per cent more specimen frames, so that its cost stays small however long the night.
  std::optional<RunningAnswer> news();
  /// What the frames since the last call show.
  [[nodiscard]] std::vector<FrameMeasures> measures() { return std::exchange(measured_, {}); }
  /// Why it gave up one of the two; "" = nothing new. The series goes on.
  [[nodiscard]] std::string gave_up() { return std::exchange(trouble_, {}); }

 private:
  LiveAnswer() = default;
  void measure(const session::Record& record, std::span<const std::byte> frame);
  void give_up(const std::string& what, const Error& error);

  std::optional<analysis::RunningRatio> ratio_;
  std::optional<analysis::RunningMeasures> measures_;
  std::uint64_t frames_ = 0;  ///< specimen frames taken
  std::uint64_t next_ = 1;    ///< worked out when there are so many
  std::vector<FrameMeasures> measured_;
  std::string trouble_;
};

}  // namespace creel
