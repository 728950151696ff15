// The results file: readable by HDF5 programs that are not ours, within the rules of NeXus, and the
// same bytes for the same inputs.
#include "client/report/results_file.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <unistd.h>

#include <array>
#include <cstdio>
#include <filesystem>
#include <fstream>

#include "daemon/analysis/evaluation_json.h"
#include "protocol/base/crc32c.h"
#include "protocol/session/hdf5.h"
#include "protocol/session/nexus_rules.h"
#include "tests/daemon/store/outside.h"

namespace creel::report {
namespace {

using nlohmann::json;

constexpr std::size_t kChannels = 420;

analysis::Evaluation evaluation() {
  analysis::Evaluation made;
  made.element = "Fe";
  made.windows = *analysis::white_line_windows("Fe");
  made.specimen.name = "ink-film-1";
  for (std::size_t i = 0; i < kChannels; ++i) {
    made.energy_ev.push_back(620.25 + 0.5 * static_cast<double>(i));
    made.sum.push_back(1e5 - 100.0 * static_cast<double>(i));
    made.sum_sigma.push_back(300);
    made.background.push_back(0.9e5 - 100.0 * static_cast<double>(i));
    made.low_loss.energy_ev.push_back(0.5 * static_cast<double>(i));
    made.low_loss.single.push_back(static_cast<double>(i % 50));
  }
  made.ratio = analysis::Ratio{5.334, 0.762, 4.6, 6.1};
  made.by_dose = {{1, 5.0, 0.4, 0.7, 0.08, 0.69, 12}, {3, 5.1, 0.4, 0.6, 0.08, 0.6, 12}};
  return made;
}

SessionInput session(const std::string& name, std::int64_t start_utc_ns) {
  SessionInput input;
  input.path = "/sessions/" + name + ".h5";
  input.documents.name = name;
  input.documents.series_text = "{\"name\": \"" + name + "\"}\n";
  input.documents.software = {{"name", "creeld"}, {"version", "0.1.0"}};
  input.documents.start_utc_ns = start_utc_ns;
  input.series.document = {{"title", "Fe L edge of \xC3\xA4ltere Tinte"}};
  return input;
}

class Results : public testing::Test {
 protected:
  void SetUp() override {
    directory_ = (std::filesystem::temp_directory_path() /
                  ("creel-results-test-" + std::to_string(::getpid())))
                     .string();
    std::filesystem::create_directories(directory_);
  }
  void TearDown() override { std::filesystem::remove_all(directory_); }

  [[nodiscard]] Result<std::string> bytes() const {
    const analysis::Evaluation made = evaluation();
    ResultsInput input;
    input.specimen = &specimen_;
    input.references = {&low_, &high_};
    input.gain_path = "/sessions/ink-gain.h5";
    input.options.conditions.elements = {"C", "Fe"};
    input.results = analysis::to_json(made);
    return results_file(made, input);
  }
  [[nodiscard]] std::string file() const {
    const std::string path = directory_ + "/ink.h5";
    std::ofstream(path, std::ios::binary) << *bytes();
    return path;
  }

  SessionInput specimen_ = session("ink-film-1", 1'773'524'400'000'000'000);
  SessionInput low_ = session("standard-fe2", 1'773'510'000'000'000'000);
  SessionInput high_ = session("standard-fe3", 1'773'511'000'000'000'000);
  std::string directory_;
};

TEST_F(Results, AreTheSameBytesEveryTime) {
  const auto first = bytes();
  ASSERT_TRUE(first.ok()) << first.error().text;
  ::sleep(1);  // HDF5's time stamps are whole seconds: were there any, they would differ now
  const auto second = bytes();
  ASSERT_TRUE(second.ok());
  EXPECT_GT(first->size(), 10000U);
  EXPECT_TRUE(*first == *second);
}

TEST_F(Results, KeepTheRulesOfNexus) {
  const std::string path = file();
  const auto done = session::with_hdf5("looking", ErrorCode::corrupt, nullptr, [&] {
    const H5::H5File opened(path, H5F_ACC_RDONLY);
    for (const session::RuleFault& fault : session::broken_nexus_rules(opened)) {
      ADD_FAILURE() << fault.place << ": " << fault.sentence;
    }
  });
  EXPECT_TRUE(done.ok()) << done.error().text;
}

TEST_F(Results, AreReadByH5py) {
  if (!store::has_h5py()) {
    GTEST_SKIP() << "python3-h5py is not installed";
  }
  std::array<char, 9> checksum{};
  std::snprintf(checksum.data(), checksum.size(), "%08x",
                crc32c(std::as_bytes(std::span(specimen_.documents.series_text))));
  const json expected = {{"version", CREEL_VERSION}, {"name", "ink-film-1"},
                         {"crc", checksum.data()},   {"ratio", 5.334},
                         {"channels", kChannels},    {"net", 1e4}};
  const std::string expectation = directory_ + "/expected.json";
  std::ofstream(expectation) << expected.dump();
  EXPECT_EQ(store::run(std::string(store::kPython) + " " + CREEL_TEST_FOLDER +
                       "/look_at_results.py " + file() + " " + expectation),
            "ok\n");
}

}  // namespace
}  // namespace creel::report
