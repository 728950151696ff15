#include "daemon/store/piece.h"

#include <algorithm>
#include <array>

#include "daemon/store/disk_source.h"
#include "daemon/store/tree.h"
#include "protocol/base/crc32c.h"
#include "protocol/session/hdf5.h"

namespace creel::store {

namespace {

using session::PieceLayout;
using session::Record;

constexpr const char* kDraft = "piece";

struct Offsets {
  std::uint64_t frames = 0, record = 0, valid = 0;
};

std::uint64_t add_contiguous(const H5::H5File& file, const char* path, const H5::DataType& type,
                             const H5::DataSpace& space) {
  H5::DSetCreatPropList properties;
  properties.setLayout(H5D_CONTIGUOUS);
  properties.setAllocTime(H5D_ALLOC_TIME_EARLY);
  properties.setFillTime(H5D_FILL_TIME_NEVER);
  // No time stamps: the pieces of a session are the same byte for byte.
  H5Pset_obj_track_times(properties.getId(), 0);
  const auto set = file.createDataSet(path, type, space, properties);
  describe_in_piece(set, path);
  return set.getOffset();
}

// Frames begin on a page of their own, so that writing them never touches HDF5's structure.
Offsets create_draft(session::Hdf5Files& files, const session::FrameShape& shape,
                     std::uint64_t capacity) {
  auto access = files.access(false);
  access.setAlignment(4096, 4096);
  H5Pset_meta_block_size(access.getId(), 8192);
  H5::FileCreatPropList creation;
  const H5::H5File file(kDraft, H5F_ACC_EXCL, creation, access);
  const std::array<hsize_t, 3> frames = {capacity, shape.stored_rows(), shape.stored_columns()};
  const hsize_t records = capacity;
  Offsets offsets;
  offsets.record =
      add_contiguous(file, session::kPieceRecord, record_type(), H5::DataSpace(1, &records));
  offsets.frames = add_contiguous(file, session::kPieceFrames, pixel_type(shape.pixel),
                                  H5::DataSpace(3, frames.data()));
  offsets.valid = add_contiguous(file, session::kPieceValid, H5::PredType::STD_U64LE,
                                 H5::DataSpace(H5S_SCALAR));
  return offsets;
}

// CRC over everything but the three data sets, which are zero in a draft.
std::uint32_t structure_crc(const MemorySource::Contents& draft, const PieceLayout& layout,
                            const session::FrameShape& shape) {
  struct Region {
    std::uint64_t begin, end;
  };
  std::array<Region, 3> regions = {
      {{layout.frames_offset, layout.frames_offset + layout.capacity * shape.bytes()},
       {layout.record_offset, layout.record_offset + layout.capacity * sizeof(Record)},
       {layout.valid_offset, layout.valid_offset + sizeof(std::uint64_t)}}};
  std::sort(regions.begin(), regions.end(),
            [](const Region& a, const Region& b) { return a.begin < b.begin; });
  std::uint32_t crc = 0;
  std::uint64_t at = 0;
  const auto take = [&](std::uint64_t end) {
    for (; at < end; ++at) {
      const auto page = draft.pages.find(at / MemorySource::kPage);
      const std::byte value =
          page == draft.pages.end() ? std::byte{0} : page->second[at % MemorySource::kPage];
      crc = crc32c(std::span(&value, 1), crc);
    }
  };
  for (const auto& region : regions) {
    take(region.begin);
    at = region.end;
  }
  take(draft.size);
  return crc;
}

PieceImage image_of(const MemorySource::Contents& draft) {
  PieceImage image;
  for (const auto& [number, bytes] : draft.pages) {
    const auto offset = number * MemorySource::kPage;
    const auto count = std::min<std::uint64_t>(bytes.size(), draft.size - offset);
    if (image.parts.empty() ||
        image.parts.back().offset + image.parts.back().bytes.size() != offset) {
      image.parts.push_back({offset, {}});
    }
    auto& part = image.parts.back().bytes;
    part.insert(part.end(), bytes.begin(), bytes.begin() + static_cast<std::ptrdiff_t>(count));
  }
  return image;
}

}  // namespace

std::uint64_t piece_capacity(const session::FrameShape& shape, std::uint64_t frames_planned) {
  // Whole chunks, so that those of all pieces can be copied into one file as they are.
  const auto chunk = session::chunk_frames(shape, ~0ULL);
  const auto fit = kPieceBytes / (shape.bytes() + sizeof(Record));
  const auto places = std::max(fit / chunk, std::uint64_t{1}) * chunk;
  return frames_planned == 0 ? places : std::min(places, frames_planned);
}

Result<PieceImage> lay_out_piece(const session::FrameShape& shape, std::uint64_t capacity) {
  MemorySource memory;
  session::Hdf5Files files(memory);
  Offsets offsets;
  CREEL_TRY(session::with_hdf5("laying out a piece", ErrorCode::internal, &files,
                               [&] { offsets = create_draft(files, shape, capacity); }));
  const auto& draft = memory.contents(kDraft);
  PieceImage image = image_of(draft);
  image.layout = {capacity, offsets.frames, offsets.record, offsets.valid, draft.size, 0};
  image.layout.head_crc = structure_crc(draft, image.layout, shape);
  return image;
}

Result<std::unique_ptr<Piece>> Piece::create(Disk& disk, const std::string& folder,
                                             std::uint64_t number, const PieceImage& image,
                                             std::uint64_t frame_bytes) {
  const auto path = folder + "/" + session::piece_name(number);
  const auto draft = path + ".part";
  if (disk.exists(draft)) {
    CREEL_TRY(disk.remove_file(draft));
  }
  auto file = disk.open(draft, OpenMode::create_new);
  if (!file.ok()) {
    return file.error();
  }
  CREEL_TRY((*file)->resize(image.layout.bytes));
  CREEL_TRY((*file)->reserve(image.layout.bytes));
  for (const auto& part : image.parts) {
    CREEL_TRY((*file)->write_at(part.offset, part.bytes));
  }
  CREEL_TRY((*file)->sync());
  CREEL_TRY(disk.rename(draft, path));
  CREEL_TRY(disk.sync_directory(folder));
  return open(disk, folder, number, image.layout, frame_bytes, 0);
}

Result<std::unique_ptr<Piece>> Piece::open(Disk& disk, const std::string& folder,
                                           std::uint64_t number, const PieceLayout& layout,
                                           std::uint64_t frame_bytes, std::uint64_t used) {
  const auto path = folder + "/" + session::piece_name(number);
  auto file = disk.open(path, OpenMode::read_write);
  if (!file.ok()) {
    return file.error();
  }
  auto size = (*file)->size();
  if (!size.ok() || *size != layout.bytes) {
    return size.ok()
               ? Error{ErrorCode::corrupt, path + ": has " + std::to_string(*size) +
                                               " bytes instead of " + std::to_string(layout.bytes)}
               : size.error();
  }
  CREEL_TRY((*file)->lock_shared());
  return std::unique_ptr<Piece>(
      new Piece(std::move(file).value(), number, layout, frame_bytes, used));
}

Result<void> Piece::append(std::span<const Frame> frames) {
  CREEL_INVARIANT(frames.size() <= room() && !failed_, "there is room in a piece that works");
  CREEL_TRY(write(used_, frames));
  used_ += frames.size();
  return {};
}

Result<void> Piece::rewrite(std::uint64_t index, const Frame& frame) {
  CREEL_INVARIANT(index < layout_.capacity, "the place exists");
  return write(index, std::span(&frame, 1));
}

// The frames first: a reader that sees a record finds its frame there.
Result<void> Piece::write(std::uint64_t index, std::span<const Frame> frames) {
  std::vector<std::span<const std::byte>> parts;
  std::vector<Record> records;
  records.reserve(frames.size());
  for (const auto& frame : frames) {
    CREEL_INVARIANT(frame.bytes.size() == frame_bytes_, "the frame fits");
    const bool follows =
        !parts.empty() && parts.back().data() + parts.back().size() == frame.bytes.data();
    if (follows) {  // frames of one block lie one after another in memory too
      parts.back() = {parts.back().data(), parts.back().size() + frame.bytes.size()};
    } else {
      parts.push_back(frame.bytes);
    }
    records.push_back(frame.record);
  }
  CREEL_TRY(note(file_->write_parts_at(layout_.frames_offset + index * frame_bytes_, parts)));
  return note(file_->write_at(layout_.record_offset + index * sizeof(Record),
                              std::as_bytes(std::span(records))));
}

Result<void> Piece::sync() {
  return note(file_->sync());
}

Result<void> Piece::set_valid(std::uint64_t count) {
  return note(file_->write_at(layout_.valid_offset, std::as_bytes(std::span(&count, 1))));
}

}  // namespace creel::store
