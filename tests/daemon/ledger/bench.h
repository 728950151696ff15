// A ledger on a disk in memory, for the tests beside this file.
#pragma once

#include <gtest/gtest.h>

#include <memory>
#include <string>

#include "daemon/ledger/ledger.h"
#include "tests/fakes/disk.h"

namespace creel::test {

class FixedClock final : public Clock {
 public:
  [[nodiscard]] WorldTime world_now() const override { return WorldTime{0}; }
  [[nodiscard]] SafetyTime safety_now() const override { return SafetyTime{0}; }
  [[nodiscard]] std::int64_t utc_now_ns() const override { return utc_ns; }
  std::int64_t utc_ns = 1'795'575'600'250'000'000;  // 2026-11-25T03:00:00.250Z
};

inline const std::string kPath = "/lab/ledger.sqlite";
inline const std::string kArea = "grid-3/C4";

inline IntentRequest request(double bound, std::string session = "film-1",
                             std::uint64_t exposure = 0) {
  return {kArea, Dose{bound}, std::move(session), exposure, 0, "specimen"};
}

/// A disk with a durable, empty directory for the ledger.
inline std::unique_ptr<fakes::FakeDisk> make_disk() {
  auto disk = std::make_unique<fakes::FakeDisk>();
  EXPECT_TRUE(disk->create_directories("/lab").ok());
  EXPECT_TRUE(disk->sync_directory("/").ok());
  disk->reset_counts();
  return disk;
}

}  // namespace creel::test
