#include "daemon/setup/set_up_series.h"

#include <algorithm>
#include <cmath>

#include "protocol/base/text.h"

namespace creel {

namespace {

constexpr Duration kOpening = seconds(1);  // about so long stays the shutter open
constexpr double kDarkEvery_s = 30;        // of exposures
constexpr double kFirstDarks = 8;          // frames
constexpr std::uint32_t kMostFrames = 100;

std::uint32_t at_least_one(double value, double most = 1e9) {
  return static_cast<std::uint32_t>(std::clamp(std::round(value), 1.0, most));
}

Result<void> check(const SetUpOrder& order) {
  const auto outside = [](Duration value, Duration least, Duration most) {
    return value < least || value > most;
  };
  if (outside(order.exposure, milliseconds(1), seconds(10))) {
    return Error{ErrorCode::invalid_request, "exposure: got " +
                                                 time_span(in_seconds(order.exposure)) +
                                                 "; a set-up takes exposures of 1 ms to 10 s"};
  }
  if (outside(order.limit, seconds(10), seconds(7200))) {
    return Error{ErrorCode::invalid_request, "time: got " + time_span(in_seconds(order.limit)) +
                                                 "; a set-up closes by itself after 10 s to 2 h"};
  }
  if (order.dose && !(order.dose->value > 0)) {
    return Error{ErrorCode::invalid_request,
                 "dose: got " + number(order.dose->value) + " e/A^2; must be more than zero"};
  }
  return {};
}

std::vector<Block> blocks_of(const Series& from, const SetUpOrder& order) {
  const double exposure_s = in_seconds(order.exposure);
  const std::uint32_t frames = from.gating == Gating::detector
                                   ? at_least_one(in_seconds(kOpening) / exposure_s, kMostFrames)
                                   : 1;
  const double opening_s = exposure_s * frames;
  Block darks;
  darks.name = "darks";
  darks.kind = ExposureKind::dark;
  darks.exposure = order.exposure;
  darks.frames = frames;
  darks.count = at_least_one(std::ceil(kFirstDarks / frames));
  Block live;
  live.name = "set-up";
  live.kind = ExposureKind::zero_loss;
  live.where = Where::specimen;
  live.area = order.area;
  live.exposure = order.exposure;
  live.frames = frames;
  live.count = at_least_one(std::ceil(in_seconds(order.limit) / opening_s));
  Interleave dark;
  dark.every = at_least_one(kDarkEvery_s / opening_s);
  dark.exposure = order.exposure;
  dark.frames = frames;
  live.interleave = {dark};
  return {darks, live};
}

}  // namespace

Result<Series> set_up_series(const Series& from, const SetUpOrder& order) {
  CREEL_TRY(check(order));
  const Area* area = from.find_area(order.area);
  if (area == nullptr) {
    std::string names;
    for (const Area& one : from.areas) {
      names += (names.empty() ? "" : ", ") + one.name;
    }
    return Error{ErrorCode::invalid_request, "area: got \"" + order.area +
                                                 "\", which is not in areas of " + from.origin +
                                                 "; it has " + (names.empty() ? "none" : names)};
  }
  Series made = from;
  made.name = "set-up";
  made.areas = {*area};
  made.blocks = blocks_of(from, order);
  made.guards = Guards{};
  made.guards.dose = order.dose.value_or(from.guards.dose);
  made.guards.clock = ClockLimit{std::nullopt, order.limit};
  made.elements.clear();
  made.known_state.reset();
  return made;
}

Dose bound_of_opening(const Series& set_up, const Rig& rig) {
  const RigDevice& shutter = *rig.find(set_up.shutter);
  const Block& live = set_up.blocks.back();
  const Duration lit{live.exposure.value * static_cast<std::int64_t>(live.frames)};
  return set_up.beam.dose_rate *
         (lit + set_up.gating_margin + set_up.gating_margin + shutter.lease + shutter.closing_time);
}

}  // namespace creel
