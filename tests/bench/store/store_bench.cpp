// How fast frames become durable, beside a bare file on the same disk that is synced as often, in
// rounds that take turns. Lines: name, value, ratio to the limit that follows "of", with the span
// of the ratios over the rounds. `--short` measures less; `--directory DIR` says on which disk
// (default: where the system keeps its temporary files); words choose parts. Nothing here can fail
// because a machine is slow.
#include <unistd.h>

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <iterator>
#include <nlohmann/json.hpp>
#include <stdexcept>
#include <string>
#include <string_view>
#include <vector>

#include "daemon/platform/asio_scheduler.h"
#include "daemon/platform/disk.h"
#include "daemon/store/session.h"
#include "tests/bench/store/measure.h"
#include "tests/bench/store/whole_path.h"

namespace creel::bench {
namespace {

namespace fs = std::filesystem;
constexpr double kMega = 1e6;

bool short_run = false;

template <class T>
T must(Result<T> result) {
  if (!result.ok()) {
    throw std::runtime_error(result.error().text);
  }
  return std::move(result).value();
}

/// A session on the real disk, with the threads that creeld gives it.
class Recording {
 public:
  Recording(const std::string& directory, std::uint32_t rows, std::uint32_t columns,
            std::uint64_t frames)
      : directory_(directory), disk_(make_posix_disk()) {
    store::SessionStart start;
    start.directory = directory;
    start.name = "recording";
    start.shape = {rows, columns, store::Pixel::u16};
    start.frames_planned = frames;
    start.series_text = start.rig_text = "{}";
    start.series = start.rig = start.devices = start.software = nlohmann::json::object();
    session_ = must(store::create_session(*disk_, start, {&prepare_}));
  }
  ~Recording() {
    session_.reset();
    fs::remove_all(directory_ + "/recording");
  }
  Recording(const Recording&) = delete;
  Recording& operator=(const Recording&) = delete;
  void append(std::uint64_t index, std::span<const std::byte> frame) {
    session::Record record;
    record.exposure = index;
    auto kept = session_->append_borrowed(record, frame);
    if (!kept.ok()) {
      must(Result<int>(kept.error()));
    }
  }
  void commit() { must(session_->commit()); }

 private:
  std::string directory_;
  std::unique_ptr<Disk> disk_;
  platform::ThreadWorker prepare_;
  std::unique_ptr<store::Session> session_;
};

struct StoreRun {
  double bytes_per_s = 0;
  double processor_s_per_gib = 0;
  std::uint64_t private_bytes = 0;
};

StoreRun store_frames(const std::string& directory, const Frames& frames, std::uint32_t rows,
                      std::uint32_t columns, std::uint64_t count) {
  Recording recording(directory, rows, columns, count);
  const std::size_t each = std::size_t{rows} * columns * 2;
  StoreRun run;
  const double begin = now_s();
  const double processor = processor_s();
  std::size_t unsynced = 0;
  for (std::uint64_t i = 0; i < count; ++i) {
    recording.append(i, frames.at(i));
    unsynced += each;
    if (unsynced >= kBatchBytes) {
      recording.commit();
      unsynced = 0;
    }
  }
  recording.commit();
  const auto bytes = static_cast<double>(count * each);
  run.bytes_per_s = bytes / (now_s() - begin);
  run.processor_s_per_gib = (processor_s() - processor) / bytes * (1U << 30U);
  run.private_bytes = private_bytes();
  return run;
}

struct Size {
  const char* name;
  std::uint32_t rows, columns;
  std::uint64_t block;  ///< frames in a block of the whole path
  bool path;            ///< the whole path too
  [[nodiscard]] std::uint64_t bytes() const { return std::uint64_t{rows} * columns * 2; }
};
constexpr Size kSizes[] = {{"8 KiB", 1, 4096, 128, true},
                           {"256 KiB", 64, 2048, 4, true},
                           {"1 MiB", 256, 2048, 1, true},
                           {"8 MiB", 2048, 2048, 1, true}};

void throughput(const std::string& directory, const Size& size) {
  const std::uint64_t total = (short_run ? 64ULL : 2048ULL) << 20U;
  const std::uint64_t count = total / size.bytes();
  const int rounds = short_run ? 1 : 7;
  const Frames frames(size.bytes(), 256U << 20U);
  Pairs alone, alone_disk, path, path_raw, processor;
  append_raw(directory, frames, size.bytes(), count);  // the page cache is warm for both
  for (int round = 0; round < rounds; ++round) {
    RawRun raw;
    StoreRun store;
    const bool raw_first = round % 2 == 0;
    if (raw_first) raw = append_raw(directory, frames, size.bytes(), count);
    store = store_frames(directory, frames, size.rows, size.columns, count);
    if (!raw_first) raw = append_raw(directory, frames, size.bytes(), count);
    alone.add(store.bytes_per_s / kMega, raw.bytes_per_s / kMega);
    alone_disk.add(store.bytes_per_s / kMega, append_direct(directory, frames, total) / kMega);
    processor.add(store.processor_s_per_gib, raw.processor_s_per_gib);
    if (size.path) {
      const auto run = stream(directory, size.rows, size.columns, size.block, count);
      path.add(run.bytes_per_s / kMega, store.bytes_per_s / kMega);
      path_raw.add(run.bytes_per_s / kMega, raw.bytes_per_s / kMega);
    }
  }
  const std::string name = size.name;
  alone.print("store alone, " + name, "MB/s", "a bare file");
  alone_disk.print("store alone, " + name, "MB/s", "the disk past the page cache");
  processor.print("store alone, " + name + ", processor", "s/GiB", "a bare file");
  if (size.path) {
    path.print("whole path, " + name, "MB/s", "the store alone");
    path_raw.print("whole path, " + name, "MB/s", "a bare file");
  }
}

void line_detector(const std::string& directory) {
  constexpr std::uint64_t kColumns = 2048, kBlock = 256;
  const std::uint64_t count = (short_run ? 64ULL : 2048ULL) * 256;
  const std::size_t block_bytes = kColumns * 2 * kBlock;
  const Frames blocks(block_bytes, 256U << 20U);
  Pairs spectra;
  for (int round = 0; round < (short_run ? 1 : 7); ++round) {
    const auto raw = append_raw(directory, blocks, block_bytes, count / kBlock);
    const auto run = stream(directory, 1, kColumns, kBlock, count);
    spectra.add(run.frames_per_s, raw.bytes_per_s / (kColumns * 2));
  }
  spectra.print("whole path, 4 KiB spectra in blocks", "spectra/s", "a bare file, whole blocks");
}

void latency(const std::string& directory) {
  constexpr double kPeriod = 0.01;
  constexpr std::uint32_t kRows = 256, kColumns = 2048;
  const std::uint64_t count = short_run ? 100 : 1000;
  const Frames frames(std::size_t{kRows} * kColumns * 2, 16U << 20U);
  std::vector<double> raw, stored;
  for (int round = 0; round < (short_run ? 1 : 3); ++round) {
    const auto bare = append_raw_paced(directory, frames, count, kPeriod);
    raw.insert(raw.end(), bare.begin(), bare.end());
    Recording recording(directory, kRows, kColumns, count);
    const double begin = now_s();
    for (std::uint64_t i = 0; i < count; ++i) {
      const double ready = begin + static_cast<double>(i) * kPeriod;
      sleep_until(ready);
      recording.append(i, frames.at(i));
      recording.commit();
      stored.push_back(now_s() - ready);
    }
  }
  for (const double q : {0.5, 0.99, 0.999}) {
    char name[64];
    std::snprintf(name, sizeof name, "ready to durable, 100 x 1 MiB/s, p%g", q * 100);
    Pairs one;
    one.add(quantile(stored, q) * 1e3, quantile(raw, q) * 1e3);
    one.print(name, "ms", "a bare file");
  }
}

void packing(const std::string& directory) {
  constexpr std::uint32_t kRows = 64, kColumns = 2048, kFrame = kRows * kColumns * 2;
  const std::uint64_t count = (short_run ? 64ULL : 2048ULL) << 20U >> 18U;
  const Frames frames(kFrame, 16U << 20U);
  for (const auto codec : {session::Codec::deflate, session::Codec::bitshuffle_lz4}) {
    const std::string name(session::codec_name(codec));
    Pairs pack, path;
    for (int round = 0; round < (short_run ? 1 : 5); ++round) {
      std::vector<std::byte> chunk, copy(4ULL * kFrame);
      double begin = now_s();
      for (std::uint64_t i = 0; i < 16; ++i) {
        std::memcpy(copy.data(), frames.at(4 * i % 32).data(), copy.size());
      }
      const double copied = now_s() - begin;
      begin = now_s();
      for (std::uint64_t i = 0; i < 16; ++i) {
        session::pack(codec, store::Pixel::u16, copy, chunk);
      }
      const double packed = now_s() - begin;
      const double bytes = 16.0 * static_cast<double>(copy.size());
      pack.add(bytes / packed / kMega, bytes / copied / kMega);
      const auto raw = append_raw(directory, frames, kFrame, count);
      const auto run = stream(directory, kRows, kColumns, 4, count, name);
      path.add(run.bytes_per_s / kMega, raw.bytes_per_s / kMega);
      if (round == 0) {
        std::printf("# %s packs electron counts of mean 3 to 1/%.2f\n", name.c_str(),
                    static_cast<double>(copy.size()) / static_cast<double>(chunk.size()));
      }
    }
    pack.print("packing, one thread, " + name, "MB/s", "memcpy");
    path.print("whole path, 256 KiB, sealing with " + name, "MB/s", "a bare file");
  }
}

void memory(const std::string& directory) {
  constexpr std::uint64_t kRows = 64, kColumns = 2048, kFrame = kRows * kColumns * 2;
  const std::uint64_t least = (short_run ? 64ULL : 1024ULL) << 20U;
  const std::uint64_t most = least * (short_run ? 2 : 16);
  const auto small = stream(directory, kRows, kColumns, 4, least / kFrame);
  const auto large = stream(directory, kRows, kColumns, 4, most / kFrame);
  Pairs grown;
  grown.add(static_cast<double>(large.private_bytes) / kMega,
            static_cast<double>(small.private_bytes) / kMega);
  grown.print("creeld's private memory, " + std::to_string(most >> 20U) + " MiB of frames", "MB",
              short_run ? "the same at 64 MiB" : "the same at 1 GiB");
  Pairs processor;
  processor.add(large.processor_s_per_gib, 1.0);
  processor.print("creeld's processor time", "s/GiB", "one second");
}

void sizes(const std::string& directory) {
  for (const Size& size : kSizes) {
    throughput(directory, size);
  }
}

struct Part {
  std::string_view name;
  void (*run)(const std::string& directory);
};
constexpr Part kParts[] = {{"throughput", sizes},
                           {"line", line_detector},
                           {"latency", latency},
                           {"packing", packing},
                           {"memory", memory}};

}  // namespace
}  // namespace creel::bench

int main(int argc, char** argv) {
  namespace fs = std::filesystem;
  using creel::bench::kParts;
  fs::path where = fs::temp_directory_path();
  std::vector<std::string_view> chosen;
  for (int i = 1; i < argc; ++i) {
    const std::string_view word = argv[i];
    if (word == "--short") {
      creel::bench::short_run = true;
    } else if (word == "--directory" && i + 1 < argc) {
      where = argv[++i];
    } else if (std::any_of(std::begin(kParts), std::end(kParts),
                           [&](const auto& part) { return part.name == word; })) {
      chosen.push_back(word);
    } else {
      std::fprintf(stderr,
                   "usage: store [--short] [--directory DIR] [throughput line latency packing "
                   "memory]\n");
      return 2;
    }
  }
  std::string scratch = (where / "creel-bench-XXXXXX").string();
  if (mkdtemp(scratch.data()) == nullptr) {
    std::perror(scratch.c_str());
    return 1;
  }
  int code = 0;
  try {
    for (const auto& part : kParts) {
      if (chosen.empty() || std::find(chosen.begin(), chosen.end(), part.name) != chosen.end()) {
        part.run(scratch);
      }
    }
  } catch (const std::exception& error) {
    std::fprintf(stderr, "store benchmark: %s\n", error.what());
    code = 1;
  }
  fs::remove_all(scratch);
  return code;
}
