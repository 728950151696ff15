// What the store's benchmark measures with, and the bare file that it is measured against.
#pragma once

#include <cstddef>
#include <cstdint>
#include <span>
#include <string>
#include <vector>

#include "daemon/seams/disk.h"

namespace creel::bench {

/// One sync covers at most this much, for the bare file and for the store alike (FrameQueue's own).
constexpr std::size_t kBatchBytes = 8U << 20;

double now_s();  ///< monotonic
/// Processor time of this process, user and system, all threads.
double processor_s();
/// Of another process.
double processor_s(const std::string& process);
/// Memory that only this process has, bytes: what it shares with others, a ring say, is left out.
std::uint64_t private_bytes(const std::string& process = "self");

/// One way against another, in rounds that take turns, so that what the machine does meanwhile
/// falls on both.
class Pairs {
 public:
  void add(double value, double limit) {
    values_.push_back(value);
    ratios_.push_back(value / limit);
  }
  /// "name value unit ratio (least..most) of limit": medians, and the span of the ratios.
  void print(const std::string& name, const char* unit, const char* limit) const;

 private:
  std::vector<double> values_, ratios_;
};

/// The q-th quantile, q in 0..1.
double quantile(std::vector<double> values, double q);

/// Different frames of electron counts, one after another: Poisson of mean 3, 16 bits.
class Frames {
 public:
  Frames(std::size_t frame_bytes, std::size_t at_least_bytes);
  [[nodiscard]] std::span<const std::byte> all() const { return bytes_; }
  [[nodiscard]] std::span<const std::byte> at(std::uint64_t index) const {
    return std::span(bytes_).subspan(index % count_ * each_, each_);
  }

 private:
  std::size_t each_, count_;
  PageBytes bytes_;
};

/// What the limit is: a file that grows by one write a frame, synced as the store syncs.
struct RawRun {
  double bytes_per_s = 0;
  double processor_s_per_gib = 0;
};
RawRun append_raw(const std::string& directory, const Frames& frames, std::size_t frame_bytes,
                  std::uint64_t count);
/// What the disk itself takes: whole batches written past the page cache into space set aside, each
/// synced. Bytes a second; 0 where the file system knows no direct writes.
double append_direct(const std::string& directory, const Frames& frames, std::uint64_t bytes);
/// A bare file at a fixed pace, each frame synced by itself; seconds from ready to durable.
std::vector<double> append_raw_paced(const std::string& directory, const Frames& frames,
                                     std::uint64_t count, double period_s);
/// Sleeps until a moment of now_s().
void sleep_until(double when_s);

}  // namespace creel::bench
