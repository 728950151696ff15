#include "daemon/platform/disk.h"

#include <fcntl.h>
#include <sys/file.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <sys/uio.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <bit>
#include <cerrno>
#include <cstdio>
#include <cstring>
#include <filesystem>
#include <system_error>

#include "protocol/base/read.h"

namespace creel {

namespace {

Error failed(const char* what, const std::string& path, int error) {
  return {ErrorCode::storage_failed, path + ": cannot " + what + ": " + std::strerror(error)};
}

constexpr std::size_t kMostParts = 256;  // of one pwritev; the system takes 1024
constexpr std::size_t kPage =
    4096;  // what O_DIRECT wants offsets, lengths and memory to be multiples of
constexpr std::size_t kWorthDirect = 64U
                                     << 10;  // smaller writes are quicker through the page cache

bool on_pages(std::uint64_t offset, std::span<const std::span<const std::byte>> parts) {
  return offset % kPage == 0 && std::all_of(parts.begin(), parts.end(), [](const auto& part) {
           return std::bit_cast<std::uintptr_t>(part.data()) % kPage == 0 &&
                  part.size() % kPage == 0;
         });
}

std::size_t size_of(std::span<const std::span<const std::byte>> parts) {
  std::size_t bytes = 0;
  for (const auto& part : parts) {
    bytes += part.size();
  }
  return bytes;
}

class PosixFile final : public File {
 public:
  PosixFile(int descriptor, std::string path) : descriptor_(descriptor), path_(std::move(path)) {}
  ~PosixFile() override { ::close(descriptor_); }
  PosixFile(const PosixFile&) = delete;
  PosixFile& operator=(const PosixFile&) = delete;

  Result<void> write_at(std::uint64_t offset, std::span<const std::byte> bytes) override {
    while (!bytes.empty()) {
      const auto put =
          ::pwrite(descriptor_, bytes.data(), bytes.size(), static_cast<off_t>(offset));
      if (put < 0 && errno == EINTR) {
        continue;
      }
      if (put <= 0) {
        return failed("write", path_, put == 0 ? ENOSPC : errno);
      }
      offset += static_cast<std::uint64_t>(put);
      bytes = bytes.subspan(static_cast<std::size_t>(put));
    }
    return {};
  }

  Result<void> write_parts_at(std::uint64_t offset,
                              std::span<const std::span<const std::byte>> parts) override {
    // Large runs of whole pages go past the page cache: copying frames into it costs the processor
    // more than all the rest of storing them. Such a write, too, is durable only after sync().
    const bool direct = size_of(parts) >= kWorthDirect && on_pages(offset, parts) && go_direct();
    while (!parts.empty()) {
      const auto now = parts.first(std::min(parts.size(), kMostParts));
      const auto bytes = size_of(now);
      if (!put(offset, now, bytes)) {
        // Whatever went wrong, or only part of it: one part after another finds out what.
        leave_direct(direct);
        CREEL_TRY(File::write_parts_at(offset, now));
      }
      offset += bytes;
      parts = parts.subspan(now.size());
    }
    leave_direct(direct);
    return {};
  }

  Result<std::size_t> read_at(std::uint64_t offset, std::span<std::byte> bytes) override {
    const auto done = read_whole(descriptor_, offset, bytes);
    return done ? Result<std::size_t>(*done) : failed("read", path_, errno);
  }

  Result<void> sync() override {
    // Not repeated on any failure: the kernel may have dropped what it could not write, and a
    // second call would then report success (fsync(2), notes).
    return ::fdatasync(descriptor_) == 0 ? Result<void>() : failed("sync", path_, errno);
  }

  Result<std::uint64_t> size() override {
    struct stat status {};
    if (::fstat(descriptor_, &status) != 0) {
      return failed("ask the size", path_, errno);
    }
    return static_cast<std::uint64_t>(status.st_size);
  }

  Result<void> resize(std::uint64_t bytes) override {
    while (::ftruncate(descriptor_, static_cast<off_t>(bytes)) != 0) {
      if (errno != EINTR) {
        return failed("change the size", path_, errno);
      }
    }
    return {};
  }

  Result<void> reserve(std::uint64_t bytes) override {
    if (bytes == 0) {
      return {};
    }
    int error = EINTR;
    while (error == EINTR) {
      error = ::posix_fallocate(descriptor_, 0, static_cast<off_t>(bytes));
    }
    return error == 0 ? Result<void>() : failed("set space aside", path_, error);
  }

  Result<void> lock_shared() override { return lock(LOCK_SH); }
  Result<void> lock_exclusive() override { return lock(LOCK_EX); }

 private:
  /// Whether all of them were written with one call.
  bool put(std::uint64_t offset, std::span<const std::span<const std::byte>> parts,
           std::size_t bytes) {
    std::array<iovec, kMostParts> list{};
    for (std::size_t i = 0; i < parts.size(); ++i) {
      // pwritev takes what it only reads without const.
      list[i] = {const_cast<std::byte*>(parts[i].data()), parts[i].size()};  // NOLINT(*-const-cast)
    }
    return ::pwritev(descriptor_, list.data(), static_cast<int>(parts.size()),
                     static_cast<off_t>(offset)) == static_cast<ssize_t>(bytes);
  }

  // False where the file system knows no direct writes; it is not asked again.
  bool go_direct() {
    direct_ = direct_ && ::fcntl(descriptor_, F_SETFL, flags_ | O_DIRECT) == 0;
    return direct_;
  }
  void leave_direct(bool direct) {
    if (direct) {
      (void)::fcntl(descriptor_, F_SETFL, flags_);
    }
  }

  Result<void> lock(int kind) {
    while (::flock(descriptor_, kind | LOCK_NB) != 0) {
      if (errno == EWOULDBLOCK) {
        return Error{ErrorCode::refused, path_ + ": another process is using it"};
      }
      // Some network file systems know no locks; the lock is a courtesy there that cannot be had.
      if (errno == ENOLCK || errno == EOPNOTSUPP || errno == ENOSYS) {
        return {};
      }
      if (errno != EINTR) {
        return failed("lock", path_, errno);
      }
    }
    return {};
  }

  int descriptor_;
  std::string path_;
  int flags_ = ::fcntl(descriptor_, F_GETFL);
  bool direct_ = true;
};

int flags_of(OpenMode mode) {
  switch (mode) {
    case OpenMode::read:
      return O_RDONLY;
    case OpenMode::read_write:
      return O_RDWR;
    case OpenMode::create_new:
      return O_RDWR | O_CREAT | O_EXCL;
    case OpenMode::create_or_open:
      return O_RDWR | O_CREAT;
  }
  return O_RDONLY;
}

class PosixDisk final : public Disk {
 public:
  Result<std::unique_ptr<File>> open(const std::string& path, OpenMode mode) override {
    int descriptor = -1;
    do {
      descriptor = ::open(path.c_str(), flags_of(mode) | O_CLOEXEC, 0644);
    } while (descriptor < 0 && errno == EINTR);
    if (descriptor < 0) {
      return failed(mode == OpenMode::create_new ? "create" : "open", path, errno);
    }
    return std::unique_ptr<File>(std::make_unique<PosixFile>(descriptor, path));
  }

  bool exists(const std::string& path) override { return ::access(path.c_str(), F_OK) == 0; }

  Result<void> create_directories(const std::string& path) override {
    std::error_code error;
    std::filesystem::create_directories(path, error);
    if (error) {
      return failed("create the directory", path, error.value());
    }
    return {};
  }

  Result<std::vector<std::string>> list(const std::string& path) override {
    std::error_code error;
    std::filesystem::directory_iterator entries(path, error);
    std::vector<std::string> names;
    while (!error && entries != std::filesystem::directory_iterator()) {
      names.push_back(entries->path().filename().string());
      entries.increment(error);
    }
    if (error) {
      return failed("list", path, error.value());
    }
    std::sort(names.begin(), names.end());
    return names;
  }

  Result<void> rename(const std::string& from, const std::string& to) override {
    return std::rename(from.c_str(), to.c_str()) == 0
               ? Result<void>()
               : failed(("rename to " + to).c_str(), from, errno);
  }

  Result<void> remove_file(const std::string& path) override {
    return ::unlink(path.c_str()) == 0 ? Result<void>() : failed("remove", path, errno);
  }

  Result<void> remove_directory(const std::string& path) override {
    return ::rmdir(path.c_str()) == 0 ? Result<void>() : failed("remove", path, errno);
  }

  Result<void> sync_directory(const std::string& path) override {
    const int descriptor = ::open(path.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (descriptor < 0) {
      return failed("open", path, errno);
    }
    const int error = ::fsync(descriptor) == 0 ? 0 : errno;
    ::close(descriptor);
    return error == 0 ? Result<void>() : failed("sync", path, error);
  }

  Result<std::uint64_t> free_bytes(const std::string& path) override {
    struct statvfs status {};
    if (::statvfs(path.c_str(), &status) != 0) {
      return failed("ask for free space", path, errno);
    }
    return std::uint64_t{status.f_bavail} * status.f_frsize;
  }
};

}  // namespace

std::unique_ptr<Disk> make_posix_disk() {
  return std::make_unique<PosixDisk>();
}

}  // namespace creel
