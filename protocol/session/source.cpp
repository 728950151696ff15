#include "protocol/session/source.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <filesystem>
#include <system_error>

#include "protocol/base/read.h"

namespace creel::session {

namespace {

Error failed(const std::string& what, const std::string& path, int error) {
  const auto code = error == ENOENT ? ErrorCode::invalid_request : ErrorCode::storage_failed;
  return {code, path + ": cannot " + what + ": " + std::strerror(error)};
}

class NativeFile final : public SourceFile {
 public:
  NativeFile(int descriptor, std::string path) : descriptor_(descriptor), path_(std::move(path)) {}
  ~NativeFile() override { ::close(descriptor_); }
  NativeFile(const NativeFile&) = delete;
  NativeFile& operator=(const NativeFile&) = delete;

  Result<std::size_t> read_at(std::uint64_t offset, std::span<std::byte> bytes) override {
    const auto done = read_whole(descriptor_, offset, bytes);
    return done ? Result<std::size_t>(*done) : failed("read", path_, errno);
  }

  Result<std::uint64_t> size() override {
    struct stat status {};
    if (::fstat(descriptor_, &status) != 0) {
      return failed("ask the size", path_, errno);
    }
    return static_cast<std::uint64_t>(status.st_size);
  }

 private:
  int descriptor_;
  std::string path_;
};

class NativeSource final : public FileSource {
 public:
  Result<std::unique_ptr<SourceFile>> open(const std::string& path) override {
    const int descriptor = ::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK);
    if (descriptor < 0) {
      return failed("open", path, errno);
    }
    auto file = std::make_unique<NativeFile>(descriptor, path);
    struct stat status {};
    if (::fstat(descriptor, &status) != 0 || !S_ISREG(status.st_mode)) {
      return Error{ErrorCode::invalid_request, path + ": is not a file"};
    }
    return std::unique_ptr<SourceFile>(std::move(file));
  }

  bool exists(const std::string& path) override { return ::access(path.c_str(), F_OK) == 0; }

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
};

}  // namespace

Result<void> SourceFile::write_at(std::uint64_t, std::span<const std::byte>) {
  return Error{ErrorCode::refused, "this file is open for reading only"};
}

Result<void> SourceFile::resize(std::uint64_t) {
  return Error{ErrorCode::refused, "this file is open for reading only"};
}

Result<std::unique_ptr<SourceFile>> FileSource::create(const std::string& path) {
  return Error{ErrorCode::refused, path + ": not created: this source only reads"};
}

std::unique_ptr<FileSource> native_source() {
  return std::make_unique<NativeSource>();
}

}  // namespace creel::session
