#include "daemon/analysis/running_ratio.h"

#include <utility>

#include "daemon/spectra/pixels.h"

namespace creel::analysis {

namespace {

constexpr std::size_t kGroups = 64;
constexpr std::uint32_t kUnusable =
    session::kBroken | session::kIncomplete | session::kTouchedByHold;

SpectraCollector::Setup smaller(SpectraCollector::Setup setup) {
  setup.most_groups = kGroups;
  return setup;
}

}  // namespace

RunningRatio::RunningRatio(SpectraCollector::Setup setup, std::string element,
                           std::optional<WhiteLineWindows> windows)
    : shape_(setup.shape),
      collector_(smaller(std::move(setup))),
      element_(std::move(element)),
      windows_(windows) {}

Result<void> RunningRatio::add(const FrameInfo& info, std::span<const std::byte> frame) {
  CREEL_TRY(collector_.add(info, frame));
  const bool dark = info.kind == ExposureKind::dark;
  if ((!dark && info.kind != ExposureKind::specimen) || (info.flags & kUnusable) != 0) {
    return {};
  }
  double sum = 0;
  each_pixel_of(shape_, frame, info.events,
                [&sum](std::uint32_t, std::uint32_t, double value) { sum += value; });
  if (!std::isfinite(sum)) {
    return {};
  }
  Total& total = (dark ? dark_ : specimen_)[info.exposure_set_ns];
  total.sum += sum;
  ++total.frames;
  if (!dark) {
    last_ = {info.exposure_set_ns, sum};
  }
  return {};
}

Result<Ratio> RunningRatio::ratio_now() const {
  EvaluationOptions options;
  options.element = element_;
  options.windows = windows_;
  options.dose_groups = 1;
  options.vary_background = false;
  const auto spectra = collector_.snapshot();
  if (!spectra) {
    return spectra.error();
  }
  const auto evaluation = evaluate(*spectra, {}, options);
  if (!evaluation) {
    return evaluation.error();
  }
  if (!evaluation->ratio) {
    return Error{ErrorCode::refused, evaluation->ratio_withheld};
  }
  return *evaluation->ratio;
}

RunningEstimate RunningRatio::current() const {
  RunningEstimate now;
  double counts = 0;
  bool dark_known = true;
  const auto dark_of = [this](std::int64_t exposure) {
    const auto found = dark_.find(exposure);
    return found == dark_.end() ? std::optional<double>()
                                : found->second.sum / static_cast<double>(found->second.frames);
  };
  for (const auto& [exposure, total] : specimen_) {
    const auto dark = dark_of(exposure);
    dark_known = dark_known && dark.has_value();
    counts += total.sum - static_cast<double>(total.frames) * dark.value_or(0.0);
    now.specimen_frames += total.frames;
  }
  if (now.specimen_frames > 0 && dark_known) {
    now.mean_counts = counts / static_cast<double>(now.specimen_frames);
    now.last_counts = last_->second - *dark_of(last_->first);
  }
  const auto found = ratio_now();
  if (found) {
    now.ratio = *found;
  } else {
    now.why_not = found.error().text;
  }
  return now;
}

}  // namespace creel::analysis
