// A list of events is worth the image that counts it: every sum, to the last count.
#include <gtest/gtest.h>

#include <cstring>
#include <random>
#include <vector>

#include "daemon/analysis/running_ratio.h"
#include "daemon/spectra/gain.h"
#include "daemon/spectra/pixels.h"
#include "daemon/spectra/session_spectra.h"
#include "daemon/spectra/spectrum.h"

namespace creel::analysis {
namespace {

using session::ElectronEvent;
using session::FrameShape;
using session::Pixel;

constexpr std::uint32_t kRows = 3, kColumns = 300, kMost = 40'000;
constexpr FrameShape kImage{kRows, kColumns, Pixel::u16};
constexpr FrameShape kList{kRows, kColumns, Pixel::event, kMost};

/// The same electrons in both forms, the list in the order in which they came: any.
struct Both {
  std::vector<std::uint16_t> image = std::vector<std::uint16_t>(std::size_t{kRows} * kColumns);
  std::vector<ElectronEvent> list = std::vector<ElectronEvent>(kMost);
  std::uint64_t events = 0;

  [[nodiscard]] std::span<const std::byte> image_bytes() const {
    return std::as_bytes(std::span(image));
  }
  [[nodiscard]] std::span<const std::byte> list_bytes() const {
    return std::as_bytes(std::span(list));
  }
  void hit(std::uint16_t column, std::uint16_t row) {
    ++image[std::size_t{row} * kColumns + column];
    list[events] = {1000 * events, column, row, 0};
    ++events;
  }
};

/// `electrons` around a peak at column 60, the rest anywhere.
Both exposure(std::uint32_t seed, int electrons, bool peak) {
  std::mt19937 random(seed);
  std::normal_distribution<double> narrow(60, 1.2);
  Both made;
  for (int i = 0; i < electrons; ++i) {
    const double where = peak ? narrow(random) : static_cast<double>(random() % kColumns);
    made.hit(static_cast<std::uint16_t>(std::clamp(where, 0.0, kColumns - 1.0)),
             static_cast<std::uint16_t>(random() % kRows));
  }
  return made;
}

struct Taken {
  ExposureKind kind;
  Both frame;
};
std::vector<Taken> night() {
  std::vector<Taken> made;
  for (std::uint32_t i = 0; i < 4; ++i) {
    made.push_back({ExposureKind::dark, exposure(100 + i, 20, false)});
    made.push_back({ExposureKind::zero_loss, exposure(200 + i, 20'000, true)});
    made.push_back({ExposureKind::specimen, exposure(300 + i, 5'000, false)});
    made.push_back({ExposureKind::gain, exposure(400 + i, 30'000, false)});
  }
  return made;
}

FrameInfo info_of(const Taken& one, bool as_list) {
  FrameInfo info;
  info.kind = one.kind;
  info.exposure_set_ns = 1'000'000;
  info.first_ev = -30;
  info.events = as_list ? one.frame.events : 0;
  return info;
}

SessionSpectra spectra(bool as_list) {
  SpectraCollector::Setup setup;
  setup.name = "night";
  setup.shape = as_list ? kList : kImage;
  setup.dispersion_ev = 0.5;
  SpectraCollector collector(setup);
  for (const Taken& one : night()) {
    const auto taken = collector.add(info_of(one, as_list),
                                     as_list ? one.frame.list_bytes() : one.frame.image_bytes());
    EXPECT_TRUE(taken.ok()) << taken.error().text;
  }
  auto made = collector.finish();
  EXPECT_TRUE(made.ok()) << (made.ok() ? "" : made.error().text);
  return made.ok() ? *made : SessionSpectra{};
}

TEST(EventLists, GiveTheSpectraOfTheImages) {
  const SessionSpectra image = spectra(false);
  const SessionSpectra list = spectra(true);
  ASSERT_EQ(list.channels, kColumns);
  ASSERT_EQ(list.core.size(), image.core.size());
  double sum = 0;
  for (std::size_t i = 0; i < image.core.size(); ++i) {
    EXPECT_EQ(list.core[i].counts, image.core[i].counts);
    for (const double counts : image.core[i].counts) {
      sum += counts;
    }
  }
  EXPECT_NEAR(sum, 4 * 5000 - 4 * 20, 1e-6);
  EXPECT_EQ(list.low_loss, image.low_loss);
  EXPECT_EQ(list.noise.products, image.noise.products);
}

TEST(EventLists, GiveTheSumAndThePictureOfTheImages) {
  SpectrumSum of_images(kImage), of_lists(kList);
  MeanImage image(kImage), list(kList);
  for (const Taken& one : night()) {
    session::Record record;
    record.kind = static_cast<std::uint8_t>(one.kind);
    ASSERT_TRUE(of_images.add(record, one.frame.image_bytes()).ok());
    ASSERT_TRUE(image.add(record, one.frame.image_bytes()).ok());
    record.events = one.frame.events;
    ASSERT_TRUE(of_lists.add(record, one.frame.list_bytes()).ok());
    ASSERT_TRUE(list.add(record, one.frame.list_bytes()).ok());
  }
  EXPECT_EQ(of_lists.of(ExposureKind::specimen).counts,
            of_images.of(ExposureKind::specimen).counts);
  EXPECT_EQ(of_lists.of(ExposureKind::specimen).sigma, of_images.of(ExposureKind::specimen).sigma);
  EXPECT_EQ(list.rows(), kRows);
  EXPECT_EQ(list.mean(), image.mean());
}

TEST(EventLists, GiveTheGainMapAndTheRunningCountsOfTheImages) {
  GainReference of_images(kImage), of_lists(kList);
  SpectraCollector::Setup setup;
  setup.shape = kImage;
  setup.dispersion_ev = 0.5;
  RunningRatio image(setup, "Fe");
  setup.shape = kList;
  RunningRatio list(setup, "Fe");
  for (const Taken& one : night()) {
    ASSERT_TRUE(of_images.add(info_of(one, false), one.frame.image_bytes()).ok());
    ASSERT_TRUE(of_lists.add(info_of(one, true), one.frame.list_bytes()).ok());
    ASSERT_TRUE(image.add(info_of(one, false), one.frame.image_bytes()).ok());
    ASSERT_TRUE(list.add(info_of(one, true), one.frame.list_bytes()).ok());
  }
  EXPECT_EQ(of_lists.map("a")->response, of_images.map("a")->response);
  EXPECT_EQ(list.current().mean_counts, image.current().mean_counts);
  EXPECT_EQ(list.current().mean_counts, 5000 - 20);
}

TEST(EventLists, OfAnotherSensorAreRefusedInOneSentence) {
  Both made = exposure(1, 3, false);
  made.list[2].row = kRows;
  SpectrumSum sum(kList);
  session::Record record;
  record.events = 3;
  const auto taken = sum.add(record, made.list_bytes());
  ASSERT_FALSE(taken.ok());
  EXPECT_EQ(taken.error().code, ErrorCode::invalid_request);
  EXPECT_EQ(taken.error().text, "event 2 lies at column " + std::to_string(made.list[2].column) +
                                    ", row 3 of a sensor of 300 columns and 3 rows");
  record.events = kMost + 1;
  EXPECT_EQ(sum.add(record, made.list_bytes()).error().text,
            "40001 events in a frame that has places for 40000");
}

}  // namespace
}  // namespace creel::analysis
