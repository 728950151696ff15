#include "protocol/session/piece_file.h"

#include <algorithm>

#include "protocol/base/crc32c.h"

namespace creel::session {

namespace {

// Reads up to the end of the file; what lies beyond it reads as zeros.
Result<void> read_or_zero(SourceFile& file, std::uint64_t offset, std::span<std::byte> bytes) {
  auto got = file.read_at(offset, bytes);
  if (!got.ok()) {
    return got.error();
  }
  std::fill(bytes.begin() + static_cast<std::ptrdiff_t>(*got), bytes.end(), std::byte{0});
  return {};
}

}  // namespace

std::optional<std::uint32_t> crc_outside(SourceFile& file, std::vector<Region> left_out,
                                         Region within) {
  constexpr std::uint64_t kLargestStructure = 1U << 20;
  left_out.push_back({within.end, within.end});
  std::sort(left_out.begin(), left_out.end(),
            [](const Region& a, const Region& b) { return a.begin < b.begin; });
  std::uint32_t crc = 0;
  std::uint64_t at = within.begin;
  std::vector<std::byte> bytes;
  for (const auto& region : left_out) {
    if (region.begin > at) {
      if (region.begin - at > kLargestStructure) {
        return std::nullopt;
      }
      bytes.resize(region.begin - at);
      if (!read_or_zero(file, at, bytes).ok()) {
        return std::nullopt;
      }
      crc = crc32c(bytes, crc);
    }
    at = std::max(at, region.end);
  }
  return crc;
}

Result<PieceFile> PieceFile::open(FileSource& source, const std::string& path,
                                  const PieceLayout& layout, const FrameShape& shape) {
  auto file = source.open(path);
  if (!file.ok()) {
    return file.error();
  }
  auto bytes = (*file)->size();
  if (!bytes.ok()) {
    return bytes.error();
  }
  PieceFile piece(std::move(file).value(), layout, shape);
  piece.bytes_ = *bytes;
  CREEL_TRY(piece.look_for_table());
  return piece;
}

// A piece that is not sealed begins with HDF5's signature.
Result<void> PieceFile::look_for_table() {
  const auto half = user_block_bytes(shape_, layout_.capacity) / 2;
  std::size_t intact = 0;
  for (const auto offset : {std::uint64_t{0}, half}) {
    std::vector<std::byte> copy(sizeof(TableHead::magic));
    CREEL_TRY(read_or_zero(*file_, offset, copy));
    const bool table = looks_like_table(copy);
    sealed_ = sealed_ || table;
    // No memory for a table that the file is too short to hold.
    if (!table || offset + half > bytes_) {
      continue;
    }
    copy.resize(half);
    CREEL_TRY(read_or_zero(*file_, offset, copy));
    if (auto found = read_table(copy, shape_, layout_.capacity)) {
      table_ = std::move(found);
      intact += 1;
    }
  }
  half_lost_ = intact == 1;
  return {};
}

std::uint64_t PieceFile::full_bytes() const {
  return table_ ? table_->file_bytes : layout_.bytes;
}

bool PieceFile::structure_intact() {
  std::vector<Region> left_out;
  const auto leave_out = [&](std::uint64_t begin, std::uint64_t bytes) {
    left_out.push_back({begin, begin + bytes});
  };
  if (!table_) {
    leave_out(layout_.frames_offset, layout_.capacity * shape_.bytes());
    leave_out(layout_.record_offset, layout_.capacity * sizeof(Record));
    leave_out(layout_.valid_offset, sizeof(std::uint64_t));
    return crc_outside(*file_, std::move(left_out), {0, layout_.bytes}) == layout_.head_crc;
  }
  leave_out(table_->record_offset, layout_.capacity * sizeof(Record));
  for (const auto& chunk : table_->chunks) {
    leave_out(chunk.offset, chunk.bytes);
  }
  return crc_outside(*file_, std::move(left_out),
                     {user_block_bytes(shape_, layout_.capacity), table_->file_bytes}) ==
         table_->structure_crc;
}

// Only a full piece whose frames are all durable is ever sealed.
std::optional<std::uint64_t> PieceFile::valid() {
  std::uint64_t valid = layout_.capacity;
  if (!table_ &&
      !read_or_zero(*file_, layout_.valid_offset, std::as_writable_bytes(std::span(&valid, 1)))
           .ok()) {
    return 0;
  }
  return valid <= layout_.capacity ? std::optional(valid) : std::nullopt;
}

Result<void> PieceFile::read_records(std::uint64_t first, std::span<Record> records) {
  const auto offset = table_ ? table_->record_offset : layout_.record_offset;
  return read_or_zero(*file_, offset + first * sizeof(Record), std::as_writable_bytes(records));
}

Result<void> PieceFile::read_frame(std::uint64_t place, std::span<std::byte> into) {
  if (!table_) {
    return read_or_zero(*file_, layout_.frames_offset + place * into.size(), into);
  }
  const auto each = chunk_frames(shape_, layout_.capacity);
  if (unpacked_ != place / each) {
    unpacked_.reset();
    CREEL_TRY(read_packed(place / each, packed_));
    frames_.resize(each * shape_.bytes());
    // Good or not: the frame's checksum decides, and a damaged chunk may hold good frames.
    (void)unpack(table_->codec, shape_.pixel, packed_, frames_);
    unpacked_ = place / each;
  }
  std::copy_n(frames_.begin() + static_cast<std::ptrdiff_t>(place % each * into.size()),
              into.size(), into.begin());
  return {};
}

Result<void> PieceFile::read_packed(std::uint64_t number, std::vector<std::byte>& chunk) {
  const auto& place = table_->chunks[number];
  chunk.resize(place.bytes);
  auto got = file_->read_at(place.offset, chunk);
  if (!got.ok()) {
    return got.error();
  }
  chunk.resize(*got);
  return {};
}

Result<bool> PieceFile::read_chunk(std::uint64_t first, std::uint64_t count, Codec codec,
                                   std::vector<std::byte>& chunk) {
  const auto each = chunk_frames(shape_, layout_.capacity);
  if (!table_ || table_->codec != codec || first % each != 0 ||
      count != std::min(each, layout_.capacity - first)) {
    return false;
  }
  CREEL_TRY(read_packed(first / each, chunk));
  return true;
}

}  // namespace creel::session
