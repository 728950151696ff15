// What a detector's host sends is believed only as far as it can be true.
#include "daemon/series/from_devices.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <span>

#include "protocol/session/electron_event.h"

namespace creel {
namespace {

using nlohmann::json;
using session::ElectronEvent;
using session::FrameShape;
using session::Pixel;

constexpr FrameShape kList{2, 70, Pixel::event, 4};

FrameBlock block_of(const std::vector<ElectronEvent>& places, std::uint64_t events) {
  FrameBlock block;
  block.info.frames = 1;
  block.info.bytes = kList.bytes();
  block.info.events = events;
  block.info.exposure_ns = 1000;
  block.bytes.resize(kList.bytes());
  std::ranges::copy(std::as_bytes(std::span(places)), block.bytes.begin());
  return block;
}

std::string fault(FrameBlock block, const FrameShape& shape = kList) {
  return fault_of(shape, block).value_or("");
}

TEST(ShapeFromDevice, IsTakenWithThePlacesForEvents) {
  const auto shape =
      shape_from({{"rows", 2}, {"columns", 70}, {"pixel", "event"}, {"most_events", 4}});
  ASSERT_TRUE(shape.ok()) << shape.error().text;
  EXPECT_EQ(*shape, kList);
  EXPECT_EQ(*shape_from({{"rows", 2}, {"columns", 70}, {"pixel", "u16"}}),
            (FrameShape{2, 70, Pixel::u16}));
}

TEST(ShapeFromDevice, ThatCannotBeIsRefused) {
  const json list = {{"rows", 2}, {"columns", 70}, {"pixel", "event"}, {"most_events", 4}};
  const auto with = [&list](const json& more) {
    json made = list;
    made.update(more);
    return shape_from(made);
  };
  for (const json& bad :
       {json{{"most_events", 0}}, json{{"most_events", 67'108'865}}, json{{"pixel", "u16"}},
        json{{"rows", 65536}, {"columns", 65536}}, json{{"pixel", "events"}}}) {
    const auto shape = with(bad);
    ASSERT_FALSE(shape.ok()) << bad;
    EXPECT_EQ(shape.error().code, ErrorCode::invalid_request) << bad;
  }
  EXPECT_EQ(with({{"most_events", 0}}).error().text,
            "the detector gives an impossible frame shape: "
            R"({"columns":70,"most_events":0,"pixel":"event","rows":2}; allowed is 1 to 67108864 )"
            "events on 1 to 65536 rows and columns, 268435456 pixels in all");
}

TEST(BlockFromDevice, OfEventsIsTakenAndWhatLiesBehindThemIsCleared) {
  FrameBlock block = block_of({{1, 69, 1, 2}, {9, 0, 0, 0}, {~0ULL, 70, 2, 1}, {5, 5, 5, 5}}, 2);
  EXPECT_FALSE(fault_of(kList, block));
  EXPECT_EQ(session::event_at(block.bytes, 0).column, 69);
  EXPECT_EQ(session::event_at(block.bytes, 1).time_ps, 9U);
  for (std::size_t i = 2 * sizeof(ElectronEvent); i < block.bytes.size(); ++i) {
    ASSERT_EQ(block.bytes[i], std::byte{0}) << i;
  }
  EXPECT_EQ(counts_of(kList, block), 2.0);
}

TEST(BlockFromDevice, ThatCannotBeFramesOfTheSessionIsNotBelieved) {
  EXPECT_EQ(fault(block_of({{1, 70, 0, 0}}, 1)),
            "event 0 lies at column 70, row 0 of a sensor of 70 columns and 2 rows");
  EXPECT_EQ(fault(block_of({{1'000'001, 0, 0, 0}}, 1)),
            "event 0 comes 1000001 ps after the start of an exposure of 1000 ns");
  FrameBlock two = block_of({}, 1);
  two.info.frames = 2;
  two.bytes.resize(2 * kList.bytes());
  EXPECT_EQ(fault(two), "a list of events came with others in one block");
  FrameBlock shorter = block_of({}, 1);
  shorter.bytes.resize(32);
  EXPECT_EQ(fault(shorter), "a frame of 32 bytes does not fit its own shape");
  FrameBlock none = block_of({}, 0);
  none.info.frames = 0;
  EXPECT_EQ(fault(none), "a frame of 64 bytes does not fit its own shape");
  const FrameShape pixels{2, 16, Pixel::u16};  // as many bytes
  EXPECT_EQ(fault(block_of({}, 0), pixels), "");
  EXPECT_EQ(fault(block_of({}, 1), pixels), "a frame of pixels comes with events");
  FrameBlock lost = block_of({}, 0);
  lost.info.events_lost = 1;
  EXPECT_EQ(fault(lost, pixels), "a frame of pixels comes with events");
}

}  // namespace
}  // namespace creel
