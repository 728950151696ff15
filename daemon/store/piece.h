// One piece of a session: an HDF5 file whose whole structure is fixed beforehand, into which frames
// and their records are then only written in place. HDF5's metadata never change again, so no crash
// can harm them.
#pragma once

#include <cstdint>
#include <memory>
#include <span>
#include <string>
#include <vector>

#include "daemon/seams/disk.h"
#include "protocol/base/result.h"
#include "protocol/session/layout.h"
#include "protocol/session/reader.h"
#include "protocol/session/shape.h"

namespace creel::store {

/// A piece holds about this much, or all planned frames if they are fewer.
constexpr std::uint64_t kPieceBytes = 64ULL << 20;
/// Frames in each piece of a session, at least 1, and whole chunks (protocol/session/codec.h) where
/// there are more frames than one piece holds.
std::uint64_t piece_capacity(const session::FrameShape& shape, std::uint64_t frames_planned);

/// An empty piece: where things are, and the bytes of its HDF5 structure. All pieces of a session
/// are made from the same image, byte for byte.
struct PieceImage {
  struct Part {
    std::uint64_t offset = 0;
    std::vector<std::byte> bytes;
  };
  session::PieceLayout layout;
  std::vector<Part> parts;  ///< everything else is zero
};
/// Lets HDF5 lay out a piece in memory: /n_valid, /record and /frames contiguous, allocated, never
/// filled, in the earliest file format.
Result<PieceImage> lay_out_piece(const session::FrameShape& shape, std::uint64_t capacity);

/// A frame on its way to a piece, with its sealed record. The bytes are the caller's.
struct Frame {
  session::Record record;
  std::span<const std::byte> bytes;
};

/// An open piece. After any failure it must not be written again: see failed().
class Piece {
 public:
  /// Writes an empty piece-`number`.h5 in `folder`; durable under its name on return.
  static Result<std::unique_ptr<Piece>> create(Disk& disk, const std::string& folder,
                                               std::uint64_t number, const PieceImage& image,
                                               std::uint64_t frame_bytes);
  /// Opens an existing one; its first `used` places are taken.
  static Result<std::unique_ptr<Piece>> open(Disk& disk, const std::string& folder,
                                             std::uint64_t number,
                                             const session::PieceLayout& layout,
                                             std::uint64_t frame_bytes, std::uint64_t used);

  /// Writes frames and their records into the next places, with few large writes: first all the
  /// frames, then their records. There must be room() for them.
  Result<void> append(std::span<const Frame> frames);
  /// Writes one into place `index` once more.
  Result<void> rewrite(std::uint64_t index, const Frame& frame);
  Result<void> sync();
  /// Says that the first `count` places are durable; becomes durable itself with the next sync.
  Result<void> set_valid(std::uint64_t count);

  [[nodiscard]] std::uint64_t number() const { return number_; }
  [[nodiscard]] std::uint64_t used() const { return used_; }
  [[nodiscard]] std::uint64_t room() const { return layout_.capacity - used_; }
  [[nodiscard]] bool full() const { return room() == 0; }
  [[nodiscard]] bool failed() const { return failed_; }

 private:
  Piece(std::unique_ptr<File> file, std::uint64_t number, const session::PieceLayout& layout,
        std::uint64_t frame_bytes, std::uint64_t used)
      : file_(std::move(file)),
        number_(number),
        layout_(layout),
        frame_bytes_(frame_bytes),
        used_(used) {}
  Result<void> write(std::uint64_t index, std::span<const Frame> frames);
  Result<void> note(Result<void> result) {
    failed_ = failed_ || !result.ok();
    return result;
  }

  std::unique_ptr<File> file_;
  std::uint64_t number_;
  session::PieceLayout layout_;
  std::uint64_t frame_bytes_;
  std::uint64_t used_;
  bool failed_ = false;
};

}  // namespace creel::store
