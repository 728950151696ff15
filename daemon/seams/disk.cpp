#include "daemon/seams/disk.h"

namespace creel {

Result<void> File::write_parts_at(std::uint64_t offset,
                                  std::span<const std::span<const std::byte>> parts) {
  for (const auto& part : parts) {
    CREEL_TRY(write_at(offset, part));
    offset += part.size();
  }
  return {};
}

Result<std::string> read_all(Disk& disk, const std::string& path) {
  auto file = disk.open(path, OpenMode::read);
  if (!file.ok()) {
    return file.error();
  }
  auto size = (*file)->size();
  if (!size.ok()) {
    return size.error();
  }
  std::string text(*size, '\0');
  auto got = (*file)->read_at(0, std::as_writable_bytes(std::span(text)));
  if (!got.ok()) {
    return got.error();
  }
  text.resize(*got);
  return text;
}

}  // namespace creel
