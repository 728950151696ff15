// Arbitrary bytes as one file of a session, read and verified. The first byte chooses the file; the
// rest is put at a place in it (two bytes), or replaces it altogether.
#include <cstddef>
#include <cstdint>
#include <string_view>

#include "daemon/store/disk_source.h"
#include "daemon/store/seal.h"
#include "daemon/store/session.h"
#include "protocol/session/folder_reader.h"
#include "protocol/session/verify.h"
#include "tests/daemon/store/sample_session.h"
#include "tests/fakes/disk.h"

// HDF5 1.10 itself leaks an object header whose checksum is wrong; a leak of ours is still
// reported.
extern "C" const char* __lsan_default_suppressions();  // NOLINT(bugprone-reserved-identifier)
extern "C" const char* __lsan_default_suppressions() {
  return "leak:libhdf5_serial";
}

namespace {

using namespace creel;  // NOLINT(google-build-using-namespace): one small program

fakes::FakeDisk recorded() {
  constexpr session::FrameShape shape{1, 32, session::Pixel::u16};
  fakes::FakeDisk disk;
  for (const auto* name : {"live", "done", "sealed"}) {
    auto made = store::create_session(disk, store::sample::start("/s", name, shape, 4));
    for (std::uint64_t number = 0; number < 6; ++number) {
      (void)(*made)->append(store::sample::record(number), store::sample::frame(shape, number));
    }
    (void)(*made)->commit();
    if (std::string_view(name) == "done") {
      (void)(*made)->fold({{"outcome", "finished"}}, {});
    } else if (std::string_view(name) == "sealed") {
      const auto source = store::disk_source(disk);
      const auto layout = (*session::FolderReader::open(*source, "/s/sealed"))->layout();
      (void)store::seal_piece(disk, {"/s/sealed", layout, shape, session::Codec::bitshuffle_lz4},
                              0);
    }
  }
  return disk;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  constexpr const char* files[] = {"/s/live/events.log", "/s/live/piece-0.h5",
                                   "/s/live/piece-1.h5", "/s/live/whole.h5",
                                   "/s/done.h5",         "/s/sealed/piece-0.h5"};
  static const fakes::FakeDisk whole = recorded();
  if (size < 4) {
    return 0;
  }
  const std::string path = files[data[0] % 6];
  const bool patch = data[1] % 4 != 0;
  const std::size_t at = data[2] * 256U + data[3];
  const std::string_view bytes(reinterpret_cast<const char*>(data) + 4, size - 4);
  fakes::FakeDisk disk = whole;
  std::string text = patch ? *read_all(disk, path) : std::string();
  text.replace(patch ? at % text.size() : 0, patch ? bytes.size() : 0, bytes);
  disk.put(path, text);
  const auto source = store::disk_source(disk);
  (void)session::parse_event_log(bytes);
  (void)session::verify(*source, path.starts_with("/s/done")     ? "/s/done.h5"
                                 : path.starts_with("/s/sealed") ? "/s/sealed"
                                                                 : "/s/live");
  return 0;
}
