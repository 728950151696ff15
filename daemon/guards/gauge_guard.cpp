#include "daemon/guards/gauge_guard.h"

#include <algorithm>
#include <cmath>

#include "protocol/base/text.h"

namespace creel {
namespace {

std::string band_text(const GaugeBand& band) {
  if (!band.least) return "at most " + number(*band.most);
  if (!band.most) return "at least " + number(*band.least);
  return number(*band.least) + " to " + number(*band.most);
}

}  // namespace

GaugeGuard::GaugeGuard(GaugeBand band) : band_(std::move(band)), waiting_(band_.patience) {}

std::optional<double> GaugeGuard::value_in(const std::vector<Reading>& readings) const {
  const auto found = std::find_if(readings.begin(), readings.end(), [this](const Reading& one) {
    return one.device == band_.device && one.channel == band_.channel;
  });
  return found != readings.end() && std::isfinite(found->value) ? std::optional(found->value)
                                                                : std::nullopt;
}

std::string GaugeGuard::outside(std::optional<double> value) const {
  const std::string what = band_.device + " " + band_.channel;
  if (!value) {
    return what + " could not be read; its band is " + band_text(band_);
  }
  const bool inside =
      (!band_.least || *value >= *band_.least) && (!band_.most || *value <= *band_.most);
  return inside ? "" : what + " is " + number(*value) + "; its band is " + band_text(band_);
}

Verdict GaugeGuard::before(const BeforeExposure& view) {
  if (view.exposure.kind == ExposureKind::dark) return {};
  const std::optional<double> value = value_in(view.readings);
  const std::string trouble = outside(value);
  if (trouble.empty()) {
    waiting_.reset();
    return {};
  }
  nlohmann::json numbers = {{"device", band_.device}, {"channel", band_.channel}};
  numbers["value"] = value ? nlohmann::json(*value) : nlohmann::json(nullptr);
  numbers["least"] = band_.least ? nlohmann::json(*band_.least) : nlohmann::json(nullptr);
  numbers["most"] = band_.most ? nlohmann::json(*band_.most) : nlohmann::json(nullptr);
  return waiting_.longer(view.now, "gauge guard: " + trouble, std::move(numbers));
}

std::string GaugeGuard::after(const AfterExposure& view) {
  if (view.exposure.kind == ExposureKind::dark || view.readings.empty()) return {};
  return outside(value_in(view.readings));
}

}  // namespace creel
