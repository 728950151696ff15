// The numbers of a live set-up, from frames made up here.

#include "daemon/setup/live_view.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstring>
#include <random>

#include "daemon/setup/live_frames.h"
#include "protocol/series/series.h"

namespace creel {
namespace {

using nlohmann::json;

constexpr std::uint32_t kColumns = 256;
constexpr double kDispersion = 0.1;
constexpr double kFirst_ev = -12;
constexpr double kGain = 40;  // counts per electron

session::FrameShape shape() {
  session::FrameShape made;
  made.rows = 2;
  made.columns = kColumns;
  made.pixel = session::Pixel::u16;
  return made;
}

session::Record record_of(ExposureKind kind, double at_s, double exposure_s) {
  session::Record record;
  record.kind = static_cast<std::uint8_t>(kind);
  record.start_ns = static_cast<std::int64_t>(at_s * 1e9);
  record.exposure_ns = record.exposure_set_ns = static_cast<std::int64_t>(exposure_s * 1e9);
  record.first_channel_ev = kFirst_ev;
  return record;
}

/// A dark of 100 counts and, for `electrons`, a Gaussian zero loss over two rows.
std::vector<std::byte> frame_of(double electrons, double centre_ev, double fwhm_ev,
                                std::mt19937_64& random) {
  const double sigma = fwhm_ev / 2.354820045;
  std::vector<std::uint16_t> pixels(std::size_t{2} * kColumns);
  for (std::size_t i = 0; i < pixels.size(); ++i) {
    const double from = kFirst_ev + kDispersion * static_cast<double>(i % kColumns);
    const auto below = [&](double ev) {
      return 0.5 * std::erfc((centre_ev - ev) / sigma / M_SQRT2);
    };
    const double mean = 0.5 * electrons * (below(from + kDispersion) - below(from));
    const double n = mean > 0 ? std::poisson_distribution<int>(mean)(random) : 0;
    pixels[i] = static_cast<std::uint16_t>(std::lround(100 + kGain * n));
  }
  std::vector<std::byte> bytes(pixels.size() * 2);
  std::memcpy(bytes.data(), pixels.data(), bytes.size());
  return bytes;
}

TEST(LiveFrames, RateElectronsPerPulseAndZeroLossComeBackFromTheFrame) {
  std::mt19937_64 random(1);
  LiveFrames frames({shape(), kDispersion, kGain, 1e6});
  const double electrons = 20'000;
  EXPECT_FALSE(*frames.add(record_of(ExposureKind::zero_loss, 0, 0.1),
                           frame_of(electrons, 0.4, 0.9, random)))
      << "without a dark nothing can be told";
  EXPECT_FALSE(*frames.add(record_of(ExposureKind::dark, 1, 0.1), frame_of(0, 0, 1, random)));
  const auto seen = *frames.add(record_of(ExposureKind::zero_loss, 2, 0.1),
                                frame_of(electrons, 0.4, 0.9, random));
  ASSERT_TRUE(seen);
  // What counting allows: 1/sqrt(20000) = 0.7 %; sigma/sqrt(N) = 0.003 eV (R. J. Barlow,
  // Statistics, 1989, sec. 5.2). Five times that.
  EXPECT_NEAR(seen->rate, electrons / 0.1, 0.036 * electrons / 0.1);
  EXPECT_NEAR(seen->per_pulse, electrons / 1e5, 0.036 * electrons / 1e5);
  EXPECT_NEAR(seen->zero_loss_ev, 0.4, 0.015);
  EXPECT_NEAR(seen->fwhm_ev, 0.9, 0.03);
  EXPECT_NEAR(seen->at_s, 2.05, 1e-9);
  EXPECT_FALSE(seen->saturated);
}

TEST(LiveFrames, WithoutGainOrAxisItCountsAndWithholdsTheRest) {
  std::mt19937_64 random(2);
  LiveFrames frames({shape(), kNotKnown, kNotKnown, 1e6});
  (void)frames.add(record_of(ExposureKind::dark, 1, 0.1), frame_of(0, 0, 1, random));
  session::Record record = record_of(ExposureKind::zero_loss, 2, 0.1);
  record.flags = session::kSaturated;
  const auto seen = *frames.add(record, frame_of(1000, 0, 1, random));
  ASSERT_TRUE(seen);
  EXPECT_NEAR(seen->rate, kGain * 1000 / 0.1, 0.2 * kGain * 1000 / 0.1);
  EXPECT_TRUE(std::isnan(seen->per_pulse));
  EXPECT_TRUE(std::isnan(seen->zero_loss_ev));
  EXPECT_TRUE(seen->saturated);
  record.flags = session::kBroken;
  EXPECT_FALSE(*frames.add(record, frame_of(1000, 0, 1, random)));
}

// With shutter gating the beam is there only while the shutter is open.
TEST(LiveFrames, TheRateIsOverTheTimeForWhichTheShutterWasOpen) {
  std::mt19937_64 random(3);
  LiveFrames frames({shape(), kDispersion, kGain, 1e6});
  (void)frames.add(record_of(ExposureKind::dark, 1, 0.2), frame_of(0, 0, 1, random));
  session::Record record = record_of(ExposureKind::zero_loss, 2, 0.2);
  record.opened_ns = 2'050'000'000;
  record.closed_ns = 2'150'000'000;
  const auto seen = *frames.add(record, frame_of(20'000, 0, 1, random));
  ASSERT_TRUE(seen);
  EXPECT_NEAR(seen->rate, 2e5, 0.036 * 2e5);
}

// Slope and its error by hand for (0, 1), (1, 3), (2, 4), (3, 4): mean t 1.5, mean v 3, tt 5, tv 5,
// slope 1; residuals -0.5, 0.5, 0.5, -0.5, so s^2 = 1/2 and sigma = sqrt(0.5/5) (Bevington and
// Robinson, 3rd ed., eq. 6.12, 6.15, 6.22).
TEST(Trend, IsTheStraightLineOfLeastSquares) {
  const Trend trend = trend_of({0, 1, 2, 3}, {1, 3, 4, 4});
  EXPECT_NEAR(trend.per_minute, 60, 1e-9);
  EXPECT_NEAR(trend.sigma, 60 * std::sqrt(0.1), 1e-9);
  EXPECT_TRUE(std::isnan(trend_of({1, 2}, {1, 2}).per_minute));
  EXPECT_TRUE(std::isnan(trend_of({1, 1, 1}, {1, 2, 3}).per_minute));
}

TEST(LiveView, HoldsThePeakTellsTheTrendAndForgetsWhatIsOld) {
  LiveView view;
  EXPECT_TRUE(view.to_json()["rate_per_s"].is_null());
  for (int i = 0; i < 4000; ++i) {  // 400 s; falls by 6 % a minute of its start
    LiveFrame frame;
    frame.at_s = 1000 + 0.1 * i;
    frame.rate = 1e6 * (1 - 0.001 * 0.1 * i);
    frame.zero_loss_ev = 0.01 * 0.1 * i;
    frame.saturated = i < 7;
    view.add(frame);
  }
  const json seen = view.to_json();
  EXPECT_EQ(seen["frames"], 4000);
  EXPECT_EQ(seen["saturated_frames"], 7);
  EXPECT_FALSE(seen["saturated_now"]);
  EXPECT_NEAR(seen["rate_per_s"], 6.006e5, 1e3);
  EXPECT_NEAR(seen["peak_rate_per_s"], 1e6, 1);
  EXPECT_NEAR(seen["peak_ago_s"], 399.9, 0.01);
  EXPECT_NEAR(seen["peak_60s_per_s"], 6.6e5, 1e3);
  EXPECT_NEAR(seen["rate_trend_percent_per_min"], -6.0 / 0.63, 0.05);
  EXPECT_NEAR(seen["zero_loss_trend_ev_per_min"], 0.6, 1e-3);
  EXPECT_TRUE(seen["electrons_per_pulse"].is_null());
  EXPECT_NEAR(static_cast<double>(seen["history"].size()), 61, 1);
}

}  // namespace
}  // namespace creel
