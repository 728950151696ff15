// From frames to a session's spectra: spikes, gain, darks, zero losses, groups.
#include <gtest/gtest.h>

#include <cmath>
#include <limits>
#include <random>

#include "daemon/spectra/gain.h"
#include "daemon/spectra/session_spectra.h"
#include "daemon/spectra/spikes.h"
#include "tests/spectra/made_up.h"

namespace creel::analysis {
namespace {

class Light {
 public:
  explicit Light(std::uint32_t seed) : random_(seed) {}
  /// Poisson counts times 10 on an offset of 200.
  std::vector<float> frame(std::size_t pixels, double electrons) {
    std::vector<float> counts(pixels);
    for (float& one : counts) {
      one = static_cast<float>(200 + 10 * std::poisson_distribution<int>(electrons)(random_));
    }
    return counts;
  }

 private:
  std::mt19937 random_;
};

struct Kept {
  std::vector<std::vector<float>> frames;
  SpikeFilter::Sink sink() {
    return [this](const FrameInfo&, const std::vector<float>& pixels) { frames.push_back(pixels); };
  }
};

TEST(Spikes, AreRemovedFromFirstMiddleAndLastFrame) {
  for (const std::size_t hit : {0U, 3U, 5U}) {
    SpikeFilter filter(8, 64, 9, 0.05);
    Light light(7);
    Kept kept;
    for (std::size_t i = 0; i < 6; ++i) {
      auto frame = light.frame(512, 40);
      if (i == hit) {
        frame[64 * 4 + 20] += 6000;
        frame[64 * 4 + 21] += 700;  // what spreads to a neighbour
      }
      filter.add({}, std::move(frame), kept.sink());
    }
    filter.flush(kept.sink());
    ASSERT_EQ(kept.frames.size(), 6U);
    EXPECT_EQ(filter.removed(), 1U) << hit;
    EXPECT_NEAR(kept.frames[hit][64 * 4 + 20], 600, 250);
    EXPECT_NEAR(kept.frames[hit][64 * 4 + 21], 600, 250);
  }
}

TEST(Spikes, NoiseAndFewElectronsAreNoSpikes) {
  for (const double electrons : {0.02, 0.5, 3.0, 200.0}) {
    SpikeFilter filter(1, 2048, 9, 0.05);
    Light light(8);
    Kept kept;
    for (int i = 0; i < 100; ++i) {
      filter.add({}, light.frame(2048, electrons), kept.sink());
    }
    filter.flush(kept.sink());
    EXPECT_EQ(filter.removed(), 0U) << electrons;
  }
}

TEST(Spikes, CountingDetectorKeepsItsElectrons) {
  SpikeFilter filter(1, 2048, 9, 0.05);
  std::mt19937 random(2);
  Kept kept;
  double given = 0;
  for (int i = 0; i < 100; ++i) {
    std::vector<float> frame(2048);
    for (float& one : frame) {
      one = static_cast<float>(std::poisson_distribution<int>(0.3)(random));
      given += one;
    }
    filter.add({}, std::move(frame), kept.sink());
  }
  filter.flush(kept.sink());
  double left = 0;
  for (const auto& frame : kept.frames) {
    for (const float one : frame) {
      left += one;
    }
  }
  EXPECT_EQ(left, given);
}

TEST(Spikes, BrighterFrameIsLeftAsItIs) {
  SpikeFilter filter(1, 512, 9, 0.05);
  Light light(9);
  Kept kept;
  std::vector<float> bright;
  for (int i = 0; i < 5; ++i) {
    auto frame = light.frame(512, i == 2 ? 400 : 40);
    if (i == 2) {
      bright = frame;
    }
    filter.add({}, std::move(frame), kept.sink());
  }
  filter.flush(kept.sink());
  EXPECT_EQ(filter.removed(), 0U);
  EXPECT_EQ(kept.frames[2], bright);
}

FrameInfo info_of(ExposureKind kind, std::int64_t exposure_ns = 1'000'000) {
  FrameInfo info;
  info.kind = kind;
  info.exposure_set_ns = exposure_ns;
  return info;
}

template <class T>
std::span<const std::byte> bytes(const std::vector<T>& values) {
  return std::as_bytes(std::span(values));
}

TEST(Gain, PatternIsFoundAndCorrected) {
  constexpr session::FrameShape kShape{1, 4, session::Pixel::u16};
  GainReference reference(kShape);
  const std::vector<std::uint16_t> dark{100, 110, 120, 130};
  const std::vector<std::uint16_t> lit{1090, 1120, 1130, 131};  // 990, 1010, 1010, dead
  for (int i = 0; i < 3; ++i) {
    ASSERT_TRUE(reference.add(info_of(ExposureKind::dark), bytes(dark)).ok());
    ASSERT_TRUE(reference.add(info_of(ExposureKind::gain), bytes(lit)).ok());
  }
  const auto map = reference.map("flat 7");
  ASSERT_TRUE(map.ok()) << map.error().text;
  EXPECT_EQ(map->bad_pixels, 1U);
  EXPECT_EQ(map->bad[3], 1);
  EXPECT_NEAR(map->response[1] / map->response[0], 1010.0 / 990, 1e-6);
  std::vector<float> pixels{990, 1010, 1010, 0};
  correct_gain(*map, pixels);
  EXPECT_NEAR(pixels[0], pixels[1], 1e-3);
  EXPECT_NEAR(pixels[3], pixels[2], 1e-3);  // the nearest good one
}

TEST(Gain, SaysWhatIsMissing) {
  constexpr session::FrameShape kShape{1, 4, session::Pixel::u16};
  const std::vector<std::uint16_t> frame{1, 2, 3, 4};
  GainReference none(kShape);
  EXPECT_NE(none.map("").error().text.find("no usable gain frames"), std::string::npos);
  GainReference undark(kShape);
  ASSERT_TRUE(undark.add(info_of(ExposureKind::gain, 5), bytes(frame)).ok());
  ASSERT_TRUE(undark.add(info_of(ExposureKind::dark, 6), bytes(frame)).ok());
  EXPECT_NE(undark.map("").error().text.find("exposure time"), std::string::npos);
  GainReference unlit(kShape);
  ASSERT_TRUE(unlit.add(info_of(ExposureKind::gain), bytes(frame)).ok());
  ASSERT_TRUE(unlit.add(info_of(ExposureKind::dark), bytes(frame)).ok());
  EXPECT_NE(unlit.map("").error().text.find("no brighter"), std::string::npos);
  EXPECT_FALSE(unlit.add(info_of(ExposureKind::gain), bytes(std::vector<std::uint16_t>(3))).ok());
}

TEST(SessionSpectra, HoldsSumDriftAndLowLoss) {
  MadeUp what;
  what.noise = 0.01;
  what.thickness = 0.4;
  what.drift_per_s = 0.01;
  const auto made = MadeUpSession(what).collected();
  ASSERT_TRUE(made.ok()) << made.error().text;
  EXPECT_EQ(made->specimen_frames, 40U);
  EXPECT_EQ(made->dark_frames, 16U);
  EXPECT_EQ(made->zero_loss_frames, 5U);
  EXPECT_EQ(made->core.size(), 40U);
  // Zero loss at drift_per_s * t, with t = 100 at the first and 144 s at the last.
  EXPECT_NEAR(made->drift.least_ev(), 1.0, 2e-3);
  EXPECT_NEAR(made->drift.most_ev(), 1.44, 2e-3);
  EXPECT_NEAR(made->core[17].drift_ev, 0.01 * made->core[17].middle_s, 2e-3);
  EXPECT_NEAR(made->zero_loss->sigma_ev, 0.35, 2e-3);
  EXPECT_NEAR(sum_between(made->low_loss, made->low_loss_grid.first_ev, 0.5, -2, 2),
              5e5 * std::exp(-0.4), 5e5 * 2e-3);
}

TEST(SessionSpectra, ManyFramesGoIntoFewGroupsAndNothingIsLost) {
  MadeUp what;
  what.exposures = 333;
  what.noise = 0.01;
  auto setup = MadeUpSession::setup();
  setup.most_groups = 8;
  SpectraCollector collector(setup);
  MadeUpSession(what).each_frame([&](const FrameInfo& of, std::span<const std::byte> frame) {
    ASSERT_TRUE(collector.add(of, frame).ok());
  });
  const auto snapshot = collector.snapshot();
  const auto made = collector.finish();
  ASSERT_TRUE(made.ok());
  ASSERT_TRUE(snapshot.ok());
  EXPECT_EQ(snapshot->core.size(), made->core.size());
  EXPECT_LE(made->core.size(), 8U);
  std::uint64_t frames = 0;
  double counts = 0;
  for (const FrameGroup& group : made->core) {
    frames += group.frames;
    counts += group.counts[140];
    EXPECT_NEAR(group.dose_after - group.dose_before, 0.25 * static_cast<double>(group.frames),
                1e-9);
  }
  EXPECT_EQ(frames, 333U);
  EXPECT_NEAR(counts / 333, 2000 * std::pow(670.25 / 670, -3), 0.2);  // channel 140
}

/// The frames of a small session, changed by `change`, and what finish() says.
template <class Change>
Result<SessionSpectra> changed(Change&& change) {
  MadeUp what;
  what.exposures = 12;
  SpectraCollector collector(MadeUpSession::setup("night 4"));
  MadeUpSession(what).each_frame([&](FrameInfo of, std::span<const std::byte> frame) {
    std::vector<float> counts(MadeUpSession::kChannels);
    std::memcpy(counts.data(), frame.data(), frame.size());
    if (change(of, counts)) {
      ASSERT_TRUE(collector.add(of, bytes(counts)).ok());
    }
  });
  return collector.finish();
}

TEST(SessionSpectra, OneErrorSaysWhatIsMissing) {
  const auto no_darks = changed([](FrameInfo& of, auto&) { return of.kind != ExposureKind::dark; });
  ASSERT_FALSE(no_darks.ok());
  EXPECT_EQ(no_darks.error().text,
            "session night 4: no dark frames of 1 s, the exposure time of its frames; take some");
  const auto no_zero_loss =
      changed([](FrameInfo& of, auto&) { return of.kind != ExposureKind::zero_loss; });
  ASSERT_FALSE(no_zero_loss.ok());
  EXPECT_NE(no_zero_loss.error().text.find("no usable zero-loss reference"), std::string::npos);
  const auto empty = changed([](FrameInfo&, auto&) { return false; });
  ASSERT_FALSE(empty.ok());
  const auto flagged = changed([](FrameInfo& of, auto&) {
    of.flags = of.kind == ExposureKind::specimen ? session::kBroken : 0U;
    return true;
  });
  ASSERT_FALSE(flagged.ok());
  EXPECT_NE(flagged.error().text.find("12 left out"), std::string::npos) << flagged.error().text;
  const auto saturated = changed([](FrameInfo& of, auto&) {
    of.flags = of.kind == ExposureKind::zero_loss ? session::kSaturated : 0U;
    return true;
  });
  ASSERT_FALSE(saturated.ok());
  EXPECT_NE(saturated.error().text.find("expose them shorter"), std::string::npos);
}

TEST(SessionSpectra, FramesWithoutNumbersAreLeftOutAndCounted) {
  int i = 0;
  const auto made = changed([&i](FrameInfo& of, std::vector<float>& counts) {
    if (of.kind == ExposureKind::specimen) {
      ++i;
      counts[5] = i == 3 ? std::numeric_limits<float>::quiet_NaN() : counts[5];
      of.dose_after = i == 4 ? NAN : of.dose_after;
      of.flags = i == 5 ? session::kTouchedByHold : 0U;
    }
    return true;
  });
  ASSERT_TRUE(made.ok()) << made.error().text;
  EXPECT_EQ(made->specimen_frames, 9U);
  EXPECT_EQ(made->left_out, 3U);
}

TEST(SessionSpectra, RefusesFramesThatCannotBeRead) {
  SpectraCollector collector(MadeUpSession::setup());
  FrameInfo info;
  EXPECT_FALSE(collector.add(info, bytes(std::vector<float>(3))).ok());
  info.first_ev = NAN;
  EXPECT_FALSE(collector.add(info, bytes(std::vector<float>(MadeUpSession::kChannels))).ok());
  info.first_ev = 0;
  info.kind = static_cast<ExposureKind>(9);
  EXPECT_FALSE(collector.add(info, bytes(std::vector<float>(MadeUpSession::kChannels))).ok());
  auto setup = MadeUpSession::setup();
  auto map = std::make_shared<GainMap>();
  map->rows = 1;
  map->columns = 7;
  setup.gain = map;
  SpectraCollector other(setup);
  const auto wrong = other.add(FrameInfo{}, bytes(std::vector<float>(MadeUpSession::kChannels)));
  ASSERT_FALSE(wrong.ok());
  EXPECT_NE(wrong.error().text.find("1 x 7"), std::string::npos) << wrong.error().text;
}

}  // namespace
}  // namespace creel::analysis
