#include "daemon/store/whole.h"

#include <algorithm>
#include <vector>

#include "daemon/store/disk_source.h"
#include "daemon/store/nexus.h"
#include "daemon/store/tree.h"
#include "protocol/session/hdf5.h"

namespace creel::store {

namespace {

// A data set without end along its first axis, mapped block by block to piece-0.h5, piece-1.h5, ...
// ("%b", next to this file). It ends where the first piece is missing.
BigSet virtual_over_pieces(std::vector<hsize_t> shape, std::vector<hsize_t> in_piece,
                           const char* path) {
  const hsize_t capacity = in_piece[0];
  shape[0] = capacity;
  auto largest = shape;
  largest[0] = H5S_UNLIMITED;
  BigSet set{H5::DataSpace(static_cast<int>(shape.size()), shape.data(), largest.data()), {}};
  std::vector<hsize_t> start(shape.size(), 0), stride(shape.size(), 1), count(shape.size(), 1);
  auto block = shape;
  stride[0] = capacity;
  count[0] = H5S_UNLIMITED;
  const H5::DataSpace source(static_cast<int>(in_piece.size()), in_piece.data());
  H5::DataSpace mapped(set.space);
  mapped.selectHyperslab(H5S_SELECT_SET, count.data(), start.data(), stride.data(), block.data());
  set.properties.setVirtual(mapped, "piece-%b.h5", path, source);
  return set;
}

Result<std::string> build(const SessionStart& start, const session::PieceLayout& pieces) {
  MemorySource memory;
  session::Hdf5Files files(memory);
  const std::string draft = session::kWholeName;
  CREEL_TRY(session::with_hdf5("laying out whole.h5", ErrorCode::internal, &files, [&] {
    H5::H5File file(draft, H5F_ACC_EXCL, H5::FileCreatPropList::DEFAULT, files.access(true));
    const auto frames = virtual_over_pieces(
        frames_shape(start.shape, 0),
        {pieces.capacity, start.shape.stored_rows(), start.shape.stored_columns()},
        session::kPieceFrames);
    const auto record = virtual_over_pieces({0}, {pieces.capacity}, session::kPieceRecord);
    write_tree(file, start, frames, record, &pieces);
    file.close();
  }));
  const auto& contents = memory.contents(draft);
  std::string bytes(contents.size, '\0');
  for (const auto& [number, page] : contents.pages) {
    const auto offset = number * MemorySource::kPage;
    const auto count = std::min<std::uint64_t>(page.size(), bytes.size() - offset);
    std::transform(page.begin(), page.begin() + static_cast<std::ptrdiff_t>(count),
                   bytes.begin() + static_cast<std::ptrdiff_t>(offset),
                   [](std::byte b) { return static_cast<char>(b); });
  }
  return bytes;
}

}  // namespace

Result<void> write_whole(Disk& disk, const std::string& folder, const SessionStart& start,
                         const session::PieceLayout& pieces) {
  auto bytes = build(start, pieces);
  if (!bytes.ok()) {
    return bytes.error();
  }
  const auto path = folder + "/" + session::kWholeName;
  const auto draft = path + ".part";
  auto file = disk.open(draft, OpenMode::create_new);
  if (!file.ok()) {
    return file.error();
  }
  CREEL_TRY((*file)->write_at(0, std::as_bytes(std::span(*bytes))));
  CREEL_TRY((*file)->sync());
  CREEL_TRY(disk.rename(draft, path));
  return disk.sync_directory(folder);
}

}  // namespace creel::store
