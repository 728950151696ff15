#include "daemon/guards/counts_guard.h"

#include <algorithm>
#include <vector>

#include "protocol/base/text.h"

namespace creel {
namespace {

double median(const std::deque<double>& values) {
  std::vector<double> sorted(values.begin(), values.end());
  const auto middle = sorted.begin() + static_cast<std::ptrdiff_t>(sorted.size() / 2);
  std::nth_element(sorted.begin(), middle, sorted.end());
  return *middle;
}

}  // namespace

Verdict CountsGuard::before(const BeforeExposure& view) {
  if (view.exposure.kind != ExposureKind::specimen || low_in_a_row_ < limit_.in_a_row) return {};
  if (waiting_.begun() && !tried_) {
    tried_ = true;
    return {};
  }
  tried_ = false;
  return waiting_.longer(view.now,
                         "low counts guard: " + std::to_string(low_in_a_row_) +
                             " frames in a row have less than " + number(100 * limit_.below, 3) +
                             " % of the usual counts",
                         {{"counts", last_}, {"usual_counts", usual_}, {"below", limit_.below}});
}

std::string CountsGuard::after(const AfterExposure& view) {
  const std::int64_t exposure = view.exposure.exposure.value;
  if (view.exposure.kind == ExposureKind::dark) {
    dark_[exposure] = view.counts;
    return {};
  }
  const auto dark = dark_.find(exposure);
  if (view.exposure.kind != ExposureKind::specimen || dark == dark_.end()) return {};
  std::deque<double>& good = good_[exposure];
  last_ = view.counts - dark->second;
  if (good.size() >= kFewest) {
    usual_ = median(good);
    if (last_ < limit_.below * usual_) {
      ++low_in_a_row_;
      return "its counts are " + number(100 * last_ / usual_, 3) + " % of the usual";
    }
  }
  low_in_a_row_ = 0;
  waiting_.reset();
  good.push_back(last_);
  if (good.size() > kRemembered) good.pop_front();
  return {};
}

}  // namespace creel
