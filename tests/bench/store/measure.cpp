#include "tests/bench/store/measure.h"

#include <fcntl.h>
#include <sys/resource.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <ctime>
#include <fstream>
#include <iterator>
#include <random>
#include <sstream>
#include <stdexcept>

namespace creel::bench {
namespace {

void must(bool good, const char* what) {
  if (!good) {
    throw std::runtime_error(std::string(what) + ": " + std::strerror(errno));
  }
}

class RawFile {
 public:
  explicit RawFile(const std::string& directory, int more_flags = 0) : path_(directory + "/raw") {
    descriptor_ = ::open(path_.c_str(), O_RDWR | O_CREAT | O_TRUNC | O_CLOEXEC | more_flags, 0600);
    must(descriptor_ >= 0 || (errno == EINVAL && more_flags != 0), path_.c_str());
  }
  ~RawFile() {
    if (opened()) {
      ::close(descriptor_);
    }
    ::unlink(path_.c_str());
  }
  [[nodiscard]] bool opened() const { return descriptor_ >= 0; }
  void reserve(std::uint64_t bytes) {
    must(::posix_fallocate(descriptor_, 0, static_cast<off_t>(bytes)) == 0, "posix_fallocate");
  }
  RawFile(const RawFile&) = delete;
  RawFile& operator=(const RawFile&) = delete;
  void append(std::span<const std::byte> bytes) {
    const auto put = ::write(descriptor_, bytes.data(), bytes.size());
    must(put == static_cast<ssize_t>(bytes.size()), "write");
  }
  void sync() { must(::fdatasync(descriptor_) == 0, "fdatasync"); }

 private:
  std::string path_;
  int descriptor_;
};

}  // namespace

double now_s() {
  timespec time{};
  clock_gettime(CLOCK_MONOTONIC, &time);
  return static_cast<double>(time.tv_sec) + static_cast<double>(time.tv_nsec) * 1e-9;
}

void sleep_until(double when_s) {
  timespec time{};
  time.tv_sec = static_cast<time_t>(when_s);
  time.tv_nsec = static_cast<long>((when_s - std::floor(when_s)) * 1e9);
  clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &time, nullptr);
}

double processor_s() {
  rusage used{};
  getrusage(RUSAGE_SELF, &used);
  const auto seconds = [](const timeval& time) {
    return static_cast<double>(time.tv_sec) + static_cast<double>(time.tv_usec) * 1e-6;
  };
  return seconds(used.ru_utime) + seconds(used.ru_stime);
}

double processor_s(const std::string& process) {
  std::ifstream stat("/proc/" + process + "/stat");
  const std::string text((std::istreambuf_iterator<char>(stat)), {});
  std::istringstream fields(text.substr(text.rfind(')') + 2));
  std::string skipped;
  for (int i = 0; i < 11; ++i) {  // to utime, the 14th field (proc(5))
    fields >> skipped;
  }
  double user = 0, system = 0;
  fields >> user >> system;
  return (user + system) / static_cast<double>(sysconf(_SC_CLK_TCK));
}

std::uint64_t private_bytes(const std::string& process) {
  std::ifstream rollup("/proc/" + process + "/smaps_rollup");
  std::uint64_t bytes = 0;
  for (std::string line; std::getline(rollup, line);) {
    if (line.rfind("Private_", 0) == 0) {
      bytes += std::strtoull(line.c_str() + line.find(':') + 1, nullptr, 10) * 1024;
    }
  }
  return bytes;
}

double quantile(std::vector<double> values, double q) {
  std::sort(values.begin(), values.end());
  const auto at = static_cast<std::size_t>(std::lround(q * static_cast<double>(values.size() - 1)));
  return values.empty() ? std::nan("") : values[at];
}

void Pairs::print(const std::string& name, const char* unit, const char* limit) const {
  std::printf("%-40s %10.4g %-10s %7.3f (%.3f..%.3f)  of %s\n", name.c_str(),
              quantile(values_, 0.5), unit, quantile(ratios_, 0.5), quantile(ratios_, 0),
              quantile(ratios_, 1), limit);
  std::fflush(stdout);
}

Frames::Frames(std::size_t frame_bytes, std::size_t at_least_bytes)
    : each_(frame_bytes),
      count_(std::max<std::size_t>(4, at_least_bytes / frame_bytes)),
      bytes_(each_ * count_) {
  std::mt19937_64 random(20260314);
  std::poisson_distribution<std::uint16_t> counts(3.0);
  std::vector<std::uint16_t> table(1U << 16);  // drawing every pixel takes longer than storing it
  std::generate(table.begin(), table.end(), [&] { return counts(random); });
  for (std::size_t i = 0; i + 2 <= bytes_.size(); i += 2) {
    std::memcpy(&bytes_[i], &table[random() % table.size()], 2);
  }
}

RawRun append_raw(const std::string& directory, const Frames& frames, std::size_t frame_bytes,
                  std::uint64_t count) {
  RawFile file(directory);
  const double begin = now_s();
  const double processor = processor_s();
  std::size_t unsynced = 0;
  for (std::uint64_t i = 0; i < count; ++i) {
    file.append(frames.at(i));
    unsynced += frame_bytes;
    if (unsynced >= kBatchBytes) {
      file.sync();
      unsynced = 0;
    }
  }
  file.sync();
  const auto bytes = static_cast<double>(count * frame_bytes);
  return {bytes / (now_s() - begin), (processor_s() - processor) / bytes * (1U << 30U)};
}

double append_direct(const std::string& directory, const Frames& frames, std::uint64_t bytes) {
  RawFile file(directory, O_DIRECT);
  if (!file.opened()) {
    return 0;
  }
  file.reserve(bytes);
  const double begin = now_s();
  const auto batch = frames.all().first(kBatchBytes);
  for (std::uint64_t done = 0; done < bytes; done += batch.size()) {
    file.append(batch);
    file.sync();
  }
  return static_cast<double>(bytes) / (now_s() - begin);
}

std::vector<double> append_raw_paced(const std::string& directory, const Frames& frames,
                                     std::uint64_t count, double period_s) {
  RawFile file(directory);
  std::vector<double> latencies;
  const double begin = now_s();
  for (std::uint64_t i = 0; i < count; ++i) {
    const double ready = begin + static_cast<double>(i) * period_s;
    sleep_until(ready);
    file.append(frames.at(i));
    file.sync();
    latencies.push_back(now_s() - ready);
  }
  return latencies;
}

}  // namespace creel::bench
