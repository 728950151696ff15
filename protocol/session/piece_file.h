// One open piece, sealed or not. Inside the library and for the store.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "protocol/session/chunk_table.h"
#include "protocol/session/reader.h"

namespace creel::session {

/// Part of a file: bytes begin..end-1.
struct Region {
  std::uint64_t begin = 0, end = 0;
};
/// CRC-32C of bytes begin..end-1 of a file without those in `left_out`, which may overlap. Nothing
/// when they cannot be read, or when more lies between two regions than the structure of an HDF5
/// file takes.
std::optional<std::uint32_t> crc_outside(SourceFile& file, std::vector<Region> left_out,
                                         Region within);

/// Everything but the checksums of frames and records is checked here; those are the caller's.
class PieceFile {
 public:
  /// The piece may be replaced by its sealed version at any time; an open one stays what it was.
  static Result<PieceFile> open(FileSource& source, const std::string& path,
                                const PieceLayout& layout, const FrameShape& shape);

  [[nodiscard]] bool sealed() const { return sealed_; }
  /// Sealed, and both copies of its table are damaged: nothing below may be asked.
  [[nodiscard]] bool lost() const { return sealed_ && !table_; }
  /// Sealed, and one of the copies is damaged.
  [[nodiscard]] bool half_lost() const { return half_lost_; }
  [[nodiscard]] std::uint64_t bytes() const { return bytes_; }  ///< size as it is
  [[nodiscard]] std::uint64_t full_bytes() const;               ///< size as it should be
  /// Whether the HDF5 structure around frames and records is as it was written.
  [[nodiscard]] bool structure_intact();
  /// n_valid; nothing when it is not possible.
  [[nodiscard]] std::optional<std::uint64_t> valid();

  /// Records from place `first` on. What is beyond the end of the file reads as zeros.
  Result<void> read_records(std::uint64_t first, std::span<Record> records);
  /// The frame in a place, as it comes: bytes that are damaged or beyond the end are arbitrary.
  Result<void> read_frame(std::uint64_t place, std::span<std::byte> into);
  /// The packed chunk that holds exactly places first..first+count-1, if there is one of this
  /// codec. Not checked.
  Result<bool> read_chunk(std::uint64_t first, std::uint64_t count, Codec codec,
                          std::vector<std::byte>& chunk);

 private:
  PieceFile(std::unique_ptr<SourceFile> file, const PieceLayout& layout, const FrameShape& shape)
      : file_(std::move(file)), layout_(layout), shape_(shape) {}
  Result<void> look_for_table();
  Result<void> read_packed(std::uint64_t number, std::vector<std::byte>& chunk);

  std::unique_ptr<SourceFile> file_;
  PieceLayout layout_;
  FrameShape shape_;
  std::uint64_t bytes_ = 0;
  bool sealed_ = false, half_lost_ = false;
  std::optional<ChunkTable> table_;
  std::optional<std::uint64_t> unpacked_;  ///< number of the chunk whose frames are in frames_
  std::vector<std::byte> packed_, frames_;
};

}  // namespace creel::session
