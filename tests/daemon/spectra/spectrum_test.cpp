#include "daemon/spectra/spectrum.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <cstring>
#include <limits>
#include <random>
#include <vector>

namespace creel::analysis {
namespace {

using session::FrameShape;
using session::Pixel;
using session::Record;
using ::testing::ElementsAre;

Record record(ExposureKind kind, double exposure_s = 1.0, std::uint32_t flags = 0) {
  Record made;
  made.kind = static_cast<std::uint8_t>(kind);
  made.exposure_set_ns = from_seconds(exposure_s).value;
  made.flags = flags;
  return made;
}

template <class T>
std::vector<std::byte> bytes_of(const std::vector<T>& pixels) {
  std::vector<std::byte> bytes(pixels.size() * sizeof(T));
  std::memcpy(bytes.data(), pixels.data(), bytes.size());
  return bytes;
}

template <class T>
void add(SpectrumSum& sum, const Record& what, const std::vector<T>& pixels) {
  const auto added = sum.add(what, bytes_of(pixels));
  ASSERT_TRUE(added.ok()) << added.error().text;
}

constexpr FrameShape kTwoByThree{2, 3, Pixel::u16};
using Frame = std::vector<std::uint16_t>;

TEST(SpectrumSum, SubtractsTheMeanDarkAndSumsRowsAndExposures) {
  SpectrumSum sum(kTwoByThree);
  add(sum, record(ExposureKind::dark), Frame{10, 10, 10, 10, 10, 10});
  add(sum, record(ExposureKind::dark), Frame{12, 10, 10, 12, 10, 14});
  add(sum, record(ExposureKind::specimen), Frame{11, 20, 10, 11, 20, 12});
  add(sum, record(ExposureKind::specimen), Frame{11, 22, 10, 11, 30, 12});
  add(sum, record(ExposureKind::zero_loss), Frame{900, 900, 900, 900, 900, 900});
  const Spectrum spectrum = sum.of(ExposureKind::specimen);
  // Mean darks by column: 22, 20, 22. Sums by column: 44, 92, 44.
  EXPECT_THAT(spectrum.counts, ElementsAre(0.0, 52.0, 0.0));
  EXPECT_TRUE(spectrum.dark_corrected);
  EXPECT_EQ(spectrum.frames, 2U);
  EXPECT_EQ(spectrum.darks, 2U);
  EXPECT_EQ(spectrum.exposure, seconds(2));
  // Column 1: v = (52-40)^2/2 = 72, v_dark = 0. Column 0: v = 0, v_dark = (24-20)^2/2 = 8; var S =
  // 4*8/2.
  EXPECT_DOUBLE_EQ(spectrum.sigma[1], 12.0);
  EXPECT_DOUBLE_EQ(spectrum.sigma[0], 4.0);
}

TEST(SpectrumSum, UsesOnlyDarksOfTheSameExposureTime) {
  SpectrumSum sum({1, 1, Pixel::u16});
  add(sum, record(ExposureKind::dark, 1.0), Frame{100});
  add(sum, record(ExposureKind::dark, 2.0), Frame{200});
  add(sum, record(ExposureKind::specimen, 1.0), Frame{105});
  add(sum, record(ExposureKind::specimen, 2.0), Frame{207});
  add(sum, record(ExposureKind::specimen, 4.0), Frame{5000});
  const Spectrum spectrum = sum.of(ExposureKind::specimen);
  EXPECT_THAT(spectrum.counts, ElementsAre(12.0));
  EXPECT_EQ(spectrum.frames, 2U);
  EXPECT_EQ(spectrum.without_dark, 1U);
  EXPECT_EQ(spectrum.exposure, seconds(3));
}

TEST(SpectrumSum, SaysSoWhenThereIsNoDark) {
  SpectrumSum sum({1, 2, Pixel::u16});
  add(sum, record(ExposureKind::specimen), Frame{7, 9});
  const Spectrum spectrum = sum.of(ExposureKind::specimen);
  EXPECT_FALSE(spectrum.dark_corrected);
  EXPECT_THAT(spectrum.counts, ElementsAre(7.0, 9.0));
  EXPECT_TRUE(std::isnan(spectrum.sigma[0])) << "one frame does not show its own variance";
}

TEST(SpectrumSum, LeavesOutMarkedFrames) {
  SpectrumSum sum({1, 1, Pixel::u16});
  add(sum, record(ExposureKind::specimen), Frame{5});
  for (const auto flag : {session::kBroken, session::kIncomplete, session::kTouchedByHold}) {
    add(sum, record(ExposureKind::specimen, 1.0, flag), Frame{1000});
    add(sum, record(ExposureKind::dark, 1.0, flag), Frame{1000});
  }
  add(sum, record(ExposureKind::specimen, 1.0, session::kSaturated | session::kShutterNotMeasured),
      Frame{6});
  const Spectrum spectrum = sum.of(ExposureKind::specimen);
  EXPECT_THAT(spectrum.counts, ElementsAre(11.0));
  EXPECT_EQ(spectrum.saturated, 1U);
  EXPECT_EQ(sum.left_out(), 6U);
  EXPECT_EQ(sum.usable(ExposureKind::dark), 0U);
}

TEST(SpectrumSum, LeavesOutFramesWithValuesThatAreNoNumbers) {
  SpectrumSum sum({1, 2, Pixel::f32});
  add(sum, record(ExposureKind::specimen), std::vector<float>{1.5F, 2.0F});
  add(sum, record(ExposureKind::specimen),
      std::vector<float>{std::numeric_limits<float>::quiet_NaN(), 2.0F});
  add(sum, record(ExposureKind::specimen),
      std::vector<float>{1.0F, std::numeric_limits<float>::infinity()});
  EXPECT_THAT(sum.of(ExposureKind::specimen).counts, ElementsAre(1.5, 2.0));
  EXPECT_EQ(sum.left_out(), 2U);
}

TEST(SpectrumSum, ReadsEveryPixelType) {
  SpectrumSum eight({1, 2, Pixel::u8});
  add(eight, record(ExposureKind::specimen), std::vector<std::uint8_t>{255, 3});
  EXPECT_THAT(eight.of(ExposureKind::specimen).counts, ElementsAre(255.0, 3.0));
  SpectrumSum thirty_two({2, 1, Pixel::u32});
  add(thirty_two, record(ExposureKind::specimen), std::vector<std::uint32_t>{0xFFFFFFFF, 1});
  EXPECT_THAT(thirty_two.of(ExposureKind::specimen).counts, ElementsAre(4294967296.0));
}

TEST(SpectrumSum, RefusesAFrameOfTheWrongLengthOrKind) {
  SpectrumSum sum(kTwoByThree);
  EXPECT_EQ(sum.add(record(ExposureKind::specimen), bytes_of(Frame{1, 2, 3})).error().code,
            ErrorCode::invalid_request);
  Record unknown = record(ExposureKind::specimen);
  unknown.kind = 9;
  EXPECT_EQ(sum.add(unknown, bytes_of(Frame{1, 2, 3, 4, 5, 6})).error().code,
            ErrorCode::invalid_request);
  EXPECT_EQ(sum.of(ExposureKind::specimen).frames, 0U);
}

TEST(SpectrumSum, MemoryIsBoundedInTheNumberOfExposureTimes) {
  SpectrumSum sum({1, 1, Pixel::u16});
  for (std::size_t i = 0; i < SpectrumSum::kMostGroups; ++i) {
    add(sum, record(ExposureKind::specimen, 1.0 + static_cast<double>(i)), Frame{1});
  }
  EXPECT_FALSE(sum.add(record(ExposureKind::specimen, 0.5), bytes_of(Frame{1})).ok());
  EXPECT_TRUE(sum.add(record(ExposureKind::specimen, 1.0), bytes_of(Frame{1})).ok());
}

// For Poisson counts of mean lambda the variance of a sum of n is n lambda, and of the mean of m
// darks of variance r^2 it is r^2/m (textbook statistics; e.g. P. R. Bevington, D. K. Robinson,
// Data Reduction and Error Analysis for the Physical Sciences, 3rd ed. 2003, ch. 2 and 4). The
// variance estimated from n successive differences has a relative spread of about sqrt(3/n);
// averaged over 400 channels that is 0.6 % here.
TEST(SpectrumSum, SigmaIsThatOfPoissonCountsAndReadNoise) {
  constexpr std::uint32_t kChannels = 400;
  constexpr int kFrames = 200;
  constexpr int kDarks = 50;
  constexpr double kLambda = 40.0;
  constexpr double kRead = 5.0;
  std::mt19937_64 random(7);
  std::poisson_distribution<int> counts(kLambda);
  std::normal_distribution<double> read(200.0, kRead);
  SpectrumSum sum({1, kChannels, Pixel::u16});
  const auto frame = [&](bool lit) {
    Frame made(kChannels);
    for (auto& pixel : made) {
      pixel = static_cast<std::uint16_t>(std::lround(read(random)) + (lit ? counts(random) : 0));
    }
    return made;
  };
  for (int i = 0; i < kDarks; ++i) add(sum, record(ExposureKind::dark), frame(false));
  for (int i = 0; i < kFrames; ++i) add(sum, record(ExposureKind::specimen), frame(true));
  const Spectrum spectrum = sum.of(ExposureKind::specimen);
  const double rounding = 1.0 / 12.0;
  const double expected = kFrames * (kLambda + kRead * kRead + rounding) +
                          double{kFrames} * kFrames * (kRead * kRead + rounding) / kDarks;
  double variance = 0;
  double chi_squared = 0;
  for (std::uint32_t c = 0; c < kChannels; ++c) {
    variance += spectrum.sigma[c] * spectrum.sigma[c] / kChannels;
    const double miss = spectrum.counts[c] - kFrames * kLambda;
    chi_squared += miss * miss / expected;
  }
  EXPECT_NEAR(variance / expected, 1.0, 0.03);
  EXPECT_NEAR(chi_squared / kChannels, 1.0, 4 * std::sqrt(2.0 / kChannels));
}

TEST(SpectrumSum, ASlowDriftIsNotTakenForNoise) {
  SpectrumSum sum({1, 1, Pixel::u16});
  for (std::uint16_t i = 0; i < 1000; ++i) {  // from 1000 to 1999 in steps of one
    add(sum, record(ExposureKind::specimen), Frame{static_cast<std::uint16_t>(1000 + i)});
  }
  // By the deviation from the mean, sigma of one frame would be 289; by successive differences
  // 1/sqrt(2).
  EXPECT_NEAR(sum.of(ExposureKind::specimen).sigma[0], std::sqrt(1000.0 / 2.0), 1e-9);
}

TEST(MeanImage, AveragesAndBins) {
  MeanImage small({2, 2, Pixel::u16});
  ASSERT_TRUE(small.add(record(ExposureKind::specimen), bytes_of(Frame{1, 2, 3, 4})).ok());
  ASSERT_TRUE(small.add(record(ExposureKind::specimen), bytes_of(Frame{3, 2, 3, 8})).ok());
  ASSERT_TRUE(
      small.add(record(ExposureKind::specimen, 1, session::kBroken), bytes_of(Frame{9, 9, 9, 9}))
          .ok());
  EXPECT_THAT(small.mean(), ElementsAre(2.0, 2.0, 3.0, 6.0));

  MeanImage large({257, 3, Pixel::u8});
  EXPECT_EQ(large.bin_rows(), 2U);
  EXPECT_EQ(large.bin_columns(), 1U);
  EXPECT_EQ(large.rows(), 129U);
  EXPECT_EQ(large.columns(), 3U);
  const std::vector<std::uint8_t> flat(std::size_t{257} * 3, 8);
  ASSERT_TRUE(large.add(record(ExposureKind::specimen), bytes_of(flat)).ok());
  for (const double value : large.mean()) EXPECT_DOUBLE_EQ(value, 8.0);
}

}  // namespace
}  // namespace creel::analysis
