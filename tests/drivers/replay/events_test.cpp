// A night told electron by electron, through the whole path: driver, host, ring, daemon, disk,
// reader, evaluation, and once more from the recording.
#include <gtest/gtest.h>

#include <cmath>
#include <cstring>

#include "client/report/evaluation_input.h"
#include "client/report/sums.h"
#include "daemon/analysis/evaluate.h"
#include "protocol/session/electron_event.h"
#include "protocol/session/reader.h"
#include "protocol/session/verify.h"
#include "tests/drivers/replay/replayed_night.h"

namespace creel::replay_test {
namespace {

using nlohmann::json;
using session::Record;
using system_test::ScratchDirectory;

/// The laboratory with a counting detector and a beam of few electrons.
json counting_lab(const json& detector) {
  json rig = json::parse(system_test::read_scenario("ink-lab.rig.json"));
  json& world = rig["common"]["simulated"]["world"];
  world["electrons_per_pulse"] = 0.5;
  world["specimen"]["iron_per_nm2"] = 40'000;  // so that few electrons show its lines
  for (json& device : rig["devices"]) {
    if (device["kind"] == "detector") {
      device["config"]["rows"] = 1;
      device["config"]["counting"] = true;
      device["config"].erase("spikes_per_s");
      device["config"].update(detector);
    }
  }
  return rig;
}

json trial() {
  json series = json::parse(system_test::read_scenario("ink-trial.series.json"));
  series["blocks"][1]["interleave"][1]["exposure_s"] = 0.2;  // as long as the darks
  return series;
}

std::string record_night(const ScratchDirectory& scratch, const json& detector) {
  return record_in_lab(scratch.path(), counting_lab(detector), trial());
}

std::unique_ptr<session::Reader> open_session(session::FileSource& source,
                                              const std::string& path) {
  auto reader = session::Reader::open(source, path);
  EXPECT_TRUE(reader.ok()) << (reader.ok() ? "" : reader.error().text);
  return reader.ok() ? std::move(*reader) : nullptr;
}

void expect_intact(const std::string& path) {
  const auto source = session::native_source();
  const auto report = session::verify(*source, path);
  ASSERT_TRUE(report.ok()) << report.error().text;
  EXPECT_TRUE(report->intact()) << session::to_json(*report).dump(1);
}

TEST(Events, ANightOfThemAnswersWhatTheCountedImagesAnswer) {
  const ScratchDirectory first, second;
  const std::string images = record_night(first, json::object());
  const std::string lists =
      record_night(second, {{"delivers", "events"}, {"most_events", 150'000}});
  ASSERT_NE(images, "");
  ASSERT_NE(lists, "");
  expect_intact(lists);
  const auto source = session::native_source();
  const auto of_images = report::read_session(*source, images, nullptr, {});
  const auto of_lists = report::read_session(*source, lists, nullptr, {});
  ASSERT_TRUE(of_images.ok()) << of_images.error().text;
  ASSERT_TRUE(of_lists.ok()) << of_lists.error().text;
  EXPECT_EQ(of_lists->documents.shape,
            (session::FrameShape{1, 2048, session::Pixel::event, 150'000}));
  ASSERT_EQ(of_lists->spectra.core.size(), of_images->spectra.core.size());
  for (std::size_t i = 0; i < of_images->spectra.core.size(); ++i) {
    EXPECT_EQ(of_lists->spectra.core[i].counts, of_images->spectra.core[i].counts) << i;
  }
  EXPECT_EQ(of_lists->spectra.low_loss, of_images->spectra.low_loss);
  EXPECT_EQ(report::differs(*of_images, *of_lists), "") << "one detector, one way to count";
  analysis::EvaluationOptions options;
  options.element = "Fe";
  const auto image = analysis::evaluate(of_images->spectra, {}, options);
  const auto list = analysis::evaluate(of_lists->spectra, {}, options);
  ASSERT_TRUE(image.ok()) << image.error().text;
  ASSERT_TRUE(list.ok()) << list.error().text;
  ASSERT_TRUE(image->ratio.has_value()) << image->ratio_withheld;
  ASSERT_TRUE(list->ratio.has_value()) << list->ratio_withheld;
  EXPECT_EQ(list->ratio->value, image->ratio->value);
  EXPECT_EQ(list->ratio->sigma, image->ratio->sigma);

  const auto reader = open_session(*source, lists);
  const auto sums = report::sum_session(*reader, {});
  ASSERT_TRUE(sums.ok()) << sums.error().text;
  const auto image_reader = open_session(*source, images);
  EXPECT_EQ(sums->spectrum.counts, report::sum_session(*image_reader, {})->spectrum.counts);
}

TEST(Events, ThatHadNoRoomAreSaidAndTheirDoseIsCharged) {
  const ScratchDirectory scratch, second;
  const std::string all = record_night(scratch, {{"delivers", "events"}, {"most_events", 150'000}});
  const std::string some = record_night(second, {{"delivers", "events"}, {"most_events", 9'000}});
  ASSERT_NE(all, "");
  ASSERT_NE(some, "");
  expect_intact(some);
  const auto source = session::native_source();
  const auto whole = open_session(*source, all);
  const auto part = open_session(*source, some);
  ASSERT_EQ(part->records().size(), whole->records().size());
  std::uint64_t overfull = 0;
  for (std::size_t i = 0; i < part->records().size(); ++i) {
    const Record& a = whole->records()[i];
    const Record& b = part->records()[i];
    EXPECT_EQ(b.events + b.events_lost, a.events) << i;
    EXPECT_EQ((b.flags & session::kSaturated) != 0, b.events_lost > 0) << i;
    EXPECT_EQ(b.dose, a.dose) << i;
    overfull += b.events_lost > 0 ? 1 : 0;
  }
  EXPECT_GT(overfull, 10U);
}

TEST(Events, ARecordedNightOfThemComesBackTheSame) {
  const ScratchDirectory scratch, second;
  const std::string recorded =
      record_night(scratch, {{"delivers", "events"}, {"most_events", 15'000}});
  ASSERT_NE(recorded, "");
  const std::string replayed = replay_session(second.path(), recorded, true);
  ASSERT_NE(replayed, "");
  expect_intact(replayed);
  const auto source = session::native_source();
  const auto before = open_session(*source, recorded);
  const auto after = open_session(*source, replayed);
  EXPECT_EQ(after->documents().shape, before->documents().shape);
  ASSERT_EQ(after->records().size(), before->records().size());
  for (std::size_t i = 0; i < before->records().size(); ++i) {
    const Record& a = before->records()[i];
    const Record& b = after->records()[i];
    EXPECT_EQ(std::tuple(b.frame_crc, b.events, b.events_lost, b.flags, b.kind, b.dose),
              std::tuple(a.frame_crc, a.events, a.events_lost, a.flags, a.kind, a.dose))
        << i;
  }
}

}  // namespace
}  // namespace creel::replay_test
