// What must hold of a session whatever happened to the disk below it.
#pragma once

#include <gtest/gtest.h>

#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "daemon/store/disk_source.h"
#include "daemon/store/session.h"
#include "protocol/session/reader.h"
#include "tests/daemon/store/sample_session.h"

namespace creel::store {

inline const std::string kDirectory = "/sessions";

/// Of the points at which something may fail, every so many-th is met: all of them, but under a
/// sanitizer, where everything takes ten times as long.
#ifdef CREEL_SANITIZED
constexpr std::uint64_t kStep = 7;
#else
constexpr std::uint64_t kStep = 1;
#endif

/// A session as a reader sees it; the sample's frames are known by their exposure number.
inline std::unique_ptr<session::Reader> open_reader(session::FileSource& source,
                                                    const std::string& path) {
  auto reader = session::Reader::open(source, path);
  EXPECT_TRUE(reader.ok()) << (reader.ok() ? "" : reader.error().text);
  return reader.ok() ? std::move(reader).value() : nullptr;
}

/// Every acknowledged frame (numbers 0..acknowledged-1) is there, and every frame there is one that
/// was really taken, with its own bytes.
inline void expect_frames(Disk& disk, const std::string& path, std::uint64_t acknowledged) {
  const auto source = disk_source(disk);
  const auto reader = open_reader(*source, path);
  ASSERT_NE(reader, nullptr);
  const auto& shape = reader->documents().shape;
  std::vector<bool> there(acknowledged, false);
  std::vector<std::byte> bytes(shape.bytes());
  for (std::size_t i = 0; i < reader->records().size(); ++i) {
    const auto& record = reader->records()[i];
    const auto read = reader->read_frame(i, bytes);
    ASSERT_TRUE(read.ok()) << read.error().text;
    ASSERT_EQ(bytes, sample::frame(shape, record.exposure)) << "at " << i;
    if (record.exposure < acknowledged) {
      there[record.exposure] = true;
    }
  }
  for (std::uint64_t number = 0; number < acknowledged; ++number) {
    ASSERT_TRUE(there[number]) << "acknowledged frame " << number << " of " << acknowledged
                               << " is gone";
  }
  ASSERT_TRUE(reader->faults().empty())
      << reader->faults().front().place << " " << reader->faults().front().sentence;
}

}  // namespace creel::store
