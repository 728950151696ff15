#include "daemon/store/disk_source.h"

#include <algorithm>
#include <cstring>

namespace creel::store {

namespace {

class DiskFile final : public session::SourceFile {
 public:
  explicit DiskFile(std::unique_ptr<File> file) : file_(std::move(file)) {}
  Result<std::size_t> read_at(std::uint64_t offset, std::span<std::byte> bytes) override {
    return file_->read_at(offset, bytes);
  }
  Result<std::uint64_t> size() override { return file_->size(); }
  Result<void> write_at(std::uint64_t offset, std::span<const std::byte> bytes) override {
    return file_->write_at(offset, bytes);
  }
  Result<void> resize(std::uint64_t bytes) override { return file_->resize(bytes); }

 private:
  std::unique_ptr<File> file_;
};

class DiskSource final : public session::FileSource {
 public:
  explicit DiskSource(Disk& disk) : disk_(&disk) {}
  Result<std::unique_ptr<session::SourceFile>> open(const std::string& path) override {
    return open_as(path, OpenMode::read);
  }
  Result<std::unique_ptr<session::SourceFile>> create(const std::string& path) override {
    return open_as(path, OpenMode::create_new);
  }
  bool exists(const std::string& path) override { return disk_->exists(path); }
  Result<std::vector<std::string>> list(const std::string& path) override {
    return disk_->list(path);
  }

 private:
  Result<std::unique_ptr<session::SourceFile>> open_as(const std::string& path, OpenMode mode) {
    auto file = disk_->open(path, mode);
    if (!file.ok()) {
      return file.error();
    }
    return std::unique_ptr<session::SourceFile>(
        std::make_unique<DiskFile>(std::move(file).value()));
  }
  Disk* disk_;
};

class MemoryFile final : public session::SourceFile {
 public:
  explicit MemoryFile(std::shared_ptr<MemorySource::Contents> contents)
      : contents_(std::move(contents)) {}

  Result<std::size_t> read_at(std::uint64_t offset, std::span<std::byte> bytes) override {
    const auto there = offset < contents_->size ? contents_->size - offset : 0;
    const auto count = static_cast<std::size_t>(std::min<std::uint64_t>(bytes.size(), there));
    each_page(offset, count,
              [&](std::uint64_t page, std::size_t within, std::size_t at, std::size_t part) {
                const auto found = contents_->pages.find(page);
                if (found == contents_->pages.end()) {
                  std::memset(bytes.data() + at, 0, part);
                } else {
                  std::memcpy(bytes.data() + at, found->second.data() + within, part);
                }
              });
    return count;
  }

  Result<std::uint64_t> size() override { return contents_->size; }

  Result<void> write_at(std::uint64_t offset, std::span<const std::byte> bytes) override {
    each_page(offset, bytes.size(),
              [&](std::uint64_t page, std::size_t within, std::size_t at, std::size_t part) {
                std::memcpy(contents_->pages[page].data() + within, bytes.data() + at, part);
              });
    contents_->size = std::max(contents_->size, offset + bytes.size());
    return {};
  }

  Result<void> resize(std::uint64_t bytes) override {
    contents_->pages.erase(
        contents_->pages.lower_bound((bytes + MemorySource::kPage - 1) / MemorySource::kPage),
        contents_->pages.end());
    contents_->size = bytes;
    return {};
  }

 private:
  template <class Job>
  static void each_page(std::uint64_t offset, std::size_t bytes, const Job& job) {
    for (std::size_t done = 0; done < bytes;) {
      const auto within = static_cast<std::size_t>((offset + done) % MemorySource::kPage);
      const auto part = std::min<std::size_t>(bytes - done, MemorySource::kPage - within);
      job((offset + done) / MemorySource::kPage, within, done, part);
      done += part;
    }
  }
  std::shared_ptr<MemorySource::Contents> contents_;
};

}  // namespace

std::unique_ptr<session::FileSource> disk_source(Disk& disk) {
  return std::make_unique<DiskSource>(disk);
}

Result<std::unique_ptr<session::SourceFile>> MemorySource::open(const std::string& path) {
  const auto found = files_.find(path);
  if (found == files_.end()) {
    return Error{ErrorCode::invalid_request, path + ": no such file in memory"};
  }
  return std::unique_ptr<session::SourceFile>(std::make_unique<MemoryFile>(found->second));
}

Result<std::unique_ptr<session::SourceFile>> MemorySource::create(const std::string& path) {
  files_[path] = std::make_shared<Contents>();
  return open(path);
}

Result<std::vector<std::string>> MemorySource::list(const std::string&) {
  std::vector<std::string> names;
  for (const auto& [path, contents] : files_) {
    names.push_back(path);
  }
  return names;
}

}  // namespace creel::store
