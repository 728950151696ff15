#include "daemon/guards/emission_guard.h"

#include <algorithm>
#include <cmath>

#include "protocol/base/text.h"

namespace creel {

namespace {

double median(std::vector<double> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

}  // namespace

void EmissionGuard::measured(const FrameMeasures& measures) {
  const auto rate = measures.find(MeasureKind::rate);
  if (!rate || !std::isfinite(rate->value)) {
    return;
  }
  std::vector<double>& first =
      first_[{measures.block, measures.kind, measures.area, measures.vary_value}];
  if (first.size() < kFirst) {
    first.push_back(rate->value);
    return;
  }
  rate_ = rate->value;
  start_ = median(first);
  news_ = true;
  if (rate_ < limit_.below * start_) {
    ++low_in_a_row_;
  } else {
    low_in_a_row_ = 0;
    waiting_.reset();
  }
}

bool EmissionGuard::laser_reads_well(const BeforeExposure& view) {
  const auto found =
      std::find_if(view.readings.begin(), view.readings.end(), [this](const Reading& one) {
        return one.device == limit_.device && one.channel == limit_.channel;
      });
  if (found == view.readings.end() || !std::isfinite(found->value)) {
    return true;
  }
  power_ = found->value;
  if (!first_power_) {
    first_power_ = power_;
  }
  return *power_ >= limit_.below * *first_power_;
}

Verdict EmissionGuard::settle(const BeforeExposure& view) const {
  if (!view.exposure.gives_dose() || view.exposure.kind == ExposureKind::background ||
      !view.lit_for || *view.lit_for >= limit_.settle) {
    return {};
  }
  Verdict verdict{
      Verdict::What::wait,
      "emission guard: the cathode settles after its laser was let in",
      {{"lit_for_s", in_seconds(*view.lit_for)}, {"settle_s", in_seconds(limit_.settle)}}};
  verdict.again = limit_.settle - *view.lit_for;
  return verdict;
}

Verdict EmissionGuard::before(const BeforeExposure& view) {
  const bool well = laser_reads_well(view);
  if (Verdict verdict = settle(view); verdict.what != Verdict::What::go) {
    return verdict;
  }
  if (!view.exposure.gives_dose() || low_in_a_row_ < limit_.in_a_row || !well) {
    return {};
  }
  if (waiting_.begun() && !news_) {
    return {};  // the exposure that tries
  }
  news_ = false;
  nlohmann::json numbers = {{"rate_per_s", rate_},
                            {"start_per_s", start_},
                            {"below", limit_.below},
                            {"frames_in_a_row", low_in_a_row_}};
  std::string laser;
  if (power_) {
    numbers["laser_reading"] = *power_;
    numbers["laser_reading_at_start"] = *first_power_;
    laser = " although " + limit_.device + " " + limit_.channel + " reads " + number(*power_) +
            " (at the start " + number(*first_power_) + ")";
  }
  return waiting_.longer(view.now,
                         "emission guard: " + number(100 * rate_ / start_, 3) +
                             " % of the electrons of the start arrive" + laser +
                             ": has the spot walked off the cathode, an aperture moved?",
                         std::move(numbers));
}

std::string EmissionGuard::after(const AfterExposure& view) {
  if (view.exposure.kind == ExposureKind::dark || view.exposure.kind == ExposureKind::background ||
      !view.lit_for || *view.lit_for >= limit_.settle) {
    return {};
  }
  return "it began " + number(in_seconds(*view.lit_for), 3) +
         " s after the cathode laser was let in, which needs " +
         number(in_seconds(limit_.settle), 3) + " s to settle";
}

void EmissionGuard::went_on() {
  waiting_.reset();
  low_in_a_row_ = 0;
  first_.clear();  // a person looked: what comes now is the new start
  first_power_.reset();
}

}  // namespace creel
