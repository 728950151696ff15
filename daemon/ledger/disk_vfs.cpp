#include "daemon/ledger/disk_vfs.h"

#include <sqlite3.h>

#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <cstring>
#include <new>
#include <span>
#include <string_view>
#include <utility>

namespace creel {
namespace {

constexpr int kMaxPath = 4096;
constexpr int kSectorBytes = 4096;
/// The Unix epoch as SQLite counts time: milliseconds since noon of 24 November 4714 BC, Greenwich.
constexpr std::int64_t kEpochMs = 210'866'760'000'000;

/// One file as SQLite holds it; SQLite provides the memory.
struct OpenFile : sqlite3_file {
  DiskVfs* vfs = nullptr;
  std::unique_ptr<File> file;
  std::string path;
  bool is_new = false;  ///< its directory entry is not durable yet
  bool delete_on_close = false;
};

OpenFile& opened(sqlite3_file* file) {
  return *static_cast<OpenFile*>(file);
}
DiskVfs& owner(sqlite3_vfs* vfs) {
  return *static_cast<DiskVfs*>(vfs->pAppData);
}

std::string directory_of(std::string_view path) {
  const auto slash = path.rfind('/');
  if (slash == std::string_view::npos) return ".";
  return std::string(slash == 0 ? "/" : path.substr(0, slash));
}

int close_file(sqlite3_file* handle) {
  OpenFile& file = opened(handle);
  DiskVfs& vfs = *file.vfs;
  const std::string remove = file.delete_on_close ? file.path : std::string();
  file.~OpenFile();
  if (!remove.empty() && !vfs.stopped()) (void)vfs.passed(vfs.disk().remove_file(remove), true);
  return SQLITE_OK;
}

int read_file(sqlite3_file* handle, void* to, int bytes, sqlite3_int64 offset) {
  OpenFile& file = opened(handle);
  const std::span<std::byte> target(static_cast<std::byte*>(to), static_cast<std::size_t>(bytes));
  const auto got = file.file->read_at(static_cast<std::uint64_t>(offset), target);
  if (!got.ok()) {
    file.vfs->note(got.error());
    return SQLITE_IOERR_READ;
  }
  if (*got == target.size()) return SQLITE_OK;
  std::memset(target.data() + *got, 0, target.size() - *got);  // SQLite relies on the zeros
  return SQLITE_IOERR_SHORT_READ;
}

int write_file(sqlite3_file* handle, const void* from, int bytes, sqlite3_int64 offset) {
  OpenFile& file = opened(handle);
  if (file.vfs->stopped()) return SQLITE_IOERR_WRITE;
  const std::span<const std::byte> source(static_cast<const std::byte*>(from),
                                          static_cast<std::size_t>(bytes));
  const auto written = file.file->write_at(static_cast<std::uint64_t>(offset), source);
  return file.vfs->passed(written, true) ? SQLITE_OK : SQLITE_IOERR_WRITE;
}

int truncate_file(sqlite3_file* handle, sqlite3_int64 bytes) {
  OpenFile& file = opened(handle);
  if (file.vfs->stopped()) return SQLITE_IOERR_TRUNCATE;
  const auto resized = file.file->resize(static_cast<std::uint64_t>(bytes));
  return file.vfs->passed(resized, true) ? SQLITE_OK : SQLITE_IOERR_TRUNCATE;
}

int sync_file(sqlite3_file* handle, int /*flags*/) {
  OpenFile& file = opened(handle);
  if (file.vfs->stopped() || !file.vfs->passed(file.file->sync(), true)) return SQLITE_IOERR_FSYNC;
  if (!file.is_new) return SQLITE_OK;
  const auto synced = file.vfs->disk().sync_directory(directory_of(file.path));
  if (!file.vfs->passed(synced, true)) return SQLITE_IOERR_DIR_FSYNC;
  file.is_new = false;
  return SQLITE_OK;
}

int file_size(sqlite3_file* handle, sqlite3_int64* bytes) {
  OpenFile& file = opened(handle);
  const auto size = file.file->size();
  if (!size.ok()) {
    file.vfs->note(size.error());
    return SQLITE_IOERR_FSTAT;
  }
  *bytes = static_cast<sqlite3_int64>(*size);
  return SQLITE_OK;
}

// The whole database is ours from open to close (File::lock_exclusive), so SQLite's lock levels are
// free.
int lock_file(sqlite3_file*, int) {
  return SQLITE_OK;
}
int is_reserved(sqlite3_file*, int* reserved) {
  *reserved = 0;
  return SQLITE_OK;
}
int file_control(sqlite3_file*, int, void*) {
  return SQLITE_NOTFOUND;
}
int sector_size(sqlite3_file*) {
  return kSectorBytes;
}
// Promises nothing: a torn write may spoil the sector around it, and SQLite pads each commit
// accordingly.
int characteristics(sqlite3_file*) {
  return 0;
}

const sqlite3_io_methods& io_methods() {
  static const sqlite3_io_methods methods = [] {
    sqlite3_io_methods m{};
    m.iVersion = 1;  // no shared memory, no mapping
    m.xClose = close_file;
    m.xRead = read_file;
    m.xWrite = write_file;
    m.xTruncate = truncate_file;
    m.xSync = sync_file;
    m.xFileSize = file_size;
    m.xLock = lock_file;
    m.xUnlock = lock_file;
    m.xCheckReservedLock = is_reserved;
    m.xFileControl = file_control;
    m.xSectorSize = sector_size;
    m.xDeviceCharacteristics = characteristics;
    return m;
  }();
  return methods;
}

OpenMode mode_for(int flags) {
  if ((flags & SQLITE_OPEN_READWRITE) == 0) return OpenMode::read;
  if ((flags & SQLITE_OPEN_CREATE) == 0) return OpenMode::read_write;
  return (flags & SQLITE_OPEN_EXCLUSIVE) != 0 ? OpenMode::create_new : OpenMode::create_or_open;
}

int open_file(sqlite3_vfs* vfs, const char* path, sqlite3_file* handle, int flags, int* flags_out) {
  handle->pMethods = nullptr;
  DiskVfs& self = owner(vfs);
  if (path == nullptr)
    return SQLITE_CANTOPEN;  // a temporary file: the ledger keeps those in memory
  const bool may_create = (flags & SQLITE_OPEN_CREATE) != 0;
  if (may_create && self.stopped()) return SQLITE_CANTOPEN;
  const bool is_new = may_create && !self.disk().exists(path);
  auto file = self.disk().open(path, mode_for(flags));
  if (!file.ok()) {
    self.note(file.error());
    return SQLITE_CANTOPEN;
  }
  if ((flags & SQLITE_OPEN_MAIN_DB) != 0 && !self.passed((*file)->lock_exclusive(), false)) {
    return SQLITE_CANTOPEN;
  }
  auto* opening = new (handle) OpenFile;
  opening->pMethods = &io_methods();
  opening->vfs = &self;
  opening->file = std::move(*file);
  opening->path = path;
  opening->is_new = is_new;
  opening->delete_on_close = (flags & SQLITE_OPEN_DELETEONCLOSE) != 0;
  if (flags_out != nullptr) *flags_out = flags;
  return SQLITE_OK;
}

int delete_file(sqlite3_vfs* vfs, const char* path, int sync_directory) {
  DiskVfs& self = owner(vfs);
  if (self.stopped()) return SQLITE_IOERR_DELETE;
  if (!self.disk().exists(path)) return SQLITE_IOERR_DELETE_NOENT;
  if (!self.passed(self.disk().remove_file(path), true)) return SQLITE_IOERR_DELETE;
  if (sync_directory == 0) return SQLITE_OK;
  const auto synced = self.disk().sync_directory(directory_of(path));
  return self.passed(synced, true) ? SQLITE_OK : SQLITE_IOERR_DIR_FSYNC;
}

/// An empty journal counts as none, as in SQLite's own file systems.
int access_file(sqlite3_vfs* vfs, const char* path, int /*flags*/, int* out) {
  DiskVfs& self = owner(vfs);
  *out = 0;
  if (!self.disk().exists(path)) return SQLITE_OK;
  auto file = self.disk().open(path, OpenMode::read);
  const auto size = file.ok() ? (*file)->size() : Result<std::uint64_t>(file.error());
  if (!size.ok()) {
    self.note(size.error());
    return SQLITE_IOERR_ACCESS;
  }
  *out = *size > 0 ? 1 : 0;
  return SQLITE_OK;
}

int full_path(sqlite3_vfs*, const char* path, int room, char* out) {
  const int length = std::snprintf(out, static_cast<std::size_t>(room), "%s", path);
  return length < room ? SQLITE_OK : SQLITE_CANTOPEN;
}

/// SQLite seeds its own generator from its default file system; this one is here for completeness.
int randomness(sqlite3_vfs* vfs, int bytes, char* out) {
  auto state = static_cast<std::uint64_t>(owner(vfs).clock().utc_now_ns());
  for (int i = 0; i < bytes; ++i) {
    state = state * 6364136223846793005U + 1442695040888963407U;  // Knuth's MMIX generator
    out[i] = static_cast<char>(state >> 56U);
  }
  return bytes;
}

int no_sleep(sqlite3_vfs*, int) {
  return 0;
}  // nobody to wait for: the database is locked to us

int current_time_ms(sqlite3_vfs* vfs, sqlite3_int64* ms) {
  *ms = kEpochMs + owner(vfs).clock().utc_now_ns() / 1'000'000;
  return SQLITE_OK;
}

int current_time_days(sqlite3_vfs* vfs, double* days) {
  sqlite3_int64 ms = 0;
  current_time_ms(vfs, &ms);
  *days = static_cast<double>(ms) / 86'400'000.0;
  return SQLITE_OK;
}

int last_os_error(sqlite3_vfs*, int, char*) {
  return 0;
}

std::unique_ptr<sqlite3_vfs> describe_vfs(DiskVfs& self) {
  auto vfs = std::make_unique<sqlite3_vfs>();
  *vfs = sqlite3_vfs{};
  vfs->iVersion = 2;
  vfs->szOsFile = sizeof(OpenFile);
  vfs->mxPathname = kMaxPath;
  vfs->zName = self.name();
  vfs->pAppData = &self;
  vfs->xOpen = open_file;
  vfs->xDelete = delete_file;
  vfs->xAccess = access_file;
  vfs->xFullPathname = full_path;
  vfs->xRandomness = randomness;
  vfs->xSleep = no_sleep;
  vfs->xCurrentTime = current_time_days;
  vfs->xGetLastError = last_os_error;
  vfs->xCurrentTimeInt64 = current_time_ms;
  return vfs;
}

}  // namespace

DiskVfs::DiskVfs(Disk& disk, const Clock& clock) : disk_(disk), clock_(clock) {
  char name[48];
  std::snprintf(name, sizeof name, "creel-disk-%p",
                static_cast<void*>(this));  // unique while we live
  name_ = name;
  vfs_ = describe_vfs(*this);
  CREEL_INVARIANT(sqlite3_vfs_register(vfs_.get(), 0) == SQLITE_OK, "SQLite takes a file system");
}

DiskVfs::~DiskVfs() {
  sqlite3_vfs_unregister(vfs_.get());
}

bool DiskVfs::passed(const Result<void>& result, bool stops) {
  if (result.ok()) return true;
  last_error_ = result.error();
  if (stops && !failure_.has_value()) failure_ = result.error();
  return false;
}

}  // namespace creel
