#include "daemon/store/seal.h"

#include <algorithm>
#include <array>
#include <cstring>
#include <optional>
#include <vector>

#include "daemon/store/disk_source.h"
#include "daemon/store/tree.h"
#include "protocol/base/crc32c.h"
#include "protocol/session/filters.h"
#include "protocol/session/hdf5.h"
#include "protocol/session/piece_file.h"

namespace creel::store {

namespace {

using session::ChunkTable;
using session::PieceFile;
using session::Record;
using session::Region;
using Bytes = std::vector<std::byte>;

constexpr const char* kSketch = "sealed piece";

struct Packed {
  std::vector<Record> records;
  std::vector<Bytes> chunks;
};

// A file in memory to which HDF5 writes its structure. A chunk is not copied into it: only where
// HDF5 puts it is of interest.
class Sketch final : public session::FileSource {
 public:
  Result<std::unique_ptr<session::SourceFile>> open(const std::string& path) override {
    return memory_.open(path);
  }
  Result<std::unique_ptr<session::SourceFile>> create(const std::string& path) override;
  bool exists(const std::string& path) override { return memory_.exists(path); }
  Result<std::vector<std::string>> list(const std::string& path) override {
    return memory_.list(path);
  }

  /// The next write of these very bytes is only noted.
  void await(std::span<const std::byte> chunk) {
    awaited_ = chunk;
    placed_.reset();
  }
  [[nodiscard]] std::optional<std::uint64_t> placed() const { return placed_; }
  [[nodiscard]] const MemorySource::Contents& contents() const { return memory_.contents(kSketch); }
  bool note(std::uint64_t offset, std::span<const std::byte> bytes) {
    const bool ours = bytes.data() == awaited_.data() && bytes.size() == awaited_.size();
    if (ours) {
      placed_ = offset;
    }
    return ours;
  }

 private:
  MemorySource memory_;
  std::span<const std::byte> awaited_;
  std::optional<std::uint64_t> placed_;
};

class SketchFile final : public session::SourceFile {
 public:
  SketchFile(Sketch& sketch, std::unique_ptr<session::SourceFile> memory)
      : sketch_(sketch), memory_(std::move(memory)) {}
  Result<std::size_t> read_at(std::uint64_t offset, std::span<std::byte> bytes) override {
    return memory_->read_at(offset, bytes);
  }
  Result<std::uint64_t> size() override { return memory_->size(); }
  Result<void> write_at(std::uint64_t offset, std::span<const std::byte> bytes) override {
    if (!sketch_.note(offset, bytes)) {
      return memory_->write_at(offset, bytes);
    }
    const auto end = offset + bytes.size();
    return *memory_->size() < end ? memory_->resize(end) : Result<void>();
  }
  Result<void> resize(std::uint64_t bytes) override { return memory_->resize(bytes); }

 private:
  Sketch& sketch_;
  std::unique_ptr<session::SourceFile> memory_;
};

Result<std::unique_ptr<session::SourceFile>> Sketch::create(const std::string& path) {
  auto file = memory_.create(path);
  if (!file.ok()) {
    return file.error();
  }
  return std::unique_ptr<session::SourceFile>(
      std::make_unique<SketchFile>(*this, std::move(file).value()));
}

// --- The old piece -------------------------------------------------------------------------------

Error not_sealed(const std::string& path, const std::string& why) {
  return {ErrorCode::corrupt, path + " is not sealed, because " + why};
}

Result<void> read_records(PieceFile& piece, const SealPlan& plan, const std::string& path,
                          std::vector<Record>& records) {
  records.resize(plan.layout.capacity);
  CREEL_TRY(piece.read_records(0, records));
  for (std::size_t place = 0; place < records.size(); ++place) {
    if (!session::sealed(records[place]) || records[place].frame_bytes != plan.shape.bytes()) {
      return not_sealed(path, "place " + std::to_string(place) + " holds no frame");
    }
  }
  return {};
}

Result<void> pack_frames(PieceFile& piece, const SealPlan& plan, const std::string& path,
                         const std::function<bool()>& stopped, Packed& packed) {
  const auto each = plan.shape.bytes();
  const auto in_chunk = session::chunk_frames(plan.shape, plan.layout.capacity);
  Bytes frames(in_chunk * each), chunk;
  for (std::uint64_t first = 0; first < plan.layout.capacity; first += in_chunk) {
    if (stopped && stopped()) {
      return Error{ErrorCode::cancelled, path + " is not sealed: asked to stop"};
    }
    const auto count = std::min(in_chunk, plan.layout.capacity - first);
    std::fill(frames.begin() + static_cast<std::ptrdiff_t>(count * each), frames.end(),
              std::byte{0});
    for (std::uint64_t i = 0; i < count; ++i) {
      const auto frame = std::span(frames).subspan(i * each, each);
      CREEL_TRY(piece.read_frame(first + i, frame));
      if (crc32c(frame) != packed.records[first + i].frame_crc) {
        return not_sealed(path, "the frame in place " + std::to_string(first + i) +
                                    " does not match its checksum");
      }
    }
    session::pack(plan.codec, plan.shape.pixel, frames, chunk);
    packed.chunks.emplace_back(chunk.begin(), chunk.end());
  }
  return {};
}

// --- The new piece -------------------------------------------------------------------------------

H5::DSetCreatPropList without_times() {
  H5::DSetCreatPropList properties;
  properties.setFillTime(H5D_FILL_TIME_NEVER);
  H5Pset_obj_track_times(properties.getId(), 0);
  return properties;
}

std::uint64_t add_record(const H5::H5File& file, std::uint64_t capacity) {
  const auto properties = without_times();
  properties.setLayout(H5D_CONTIGUOUS);
  properties.setAllocTime(H5D_ALLOC_TIME_EARLY);
  const hsize_t count = capacity;
  const auto set = file.createDataSet(session::kPieceRecord, record_type(),
                                      H5::DataSpace(1, &count), properties);
  describe_in_piece(set, session::kPieceRecord);
  return set.getOffset();
}

void add_valid(const H5::H5File& file, std::uint64_t capacity) {
  const auto set = file.createDataSet(session::kPieceValid, H5::PredType::STD_U64LE,
                                      H5::DataSpace(H5S_SCALAR), without_times());
  set.write(&capacity, H5::PredType::NATIVE_UINT64);
  describe_in_piece(set, session::kPieceValid);
}

void add_frames(const H5::H5File& file, Sketch& sketch, const SealPlan& plan,
                const std::vector<Bytes>& chunks, ChunkTable& table) {
  const auto in_chunk = session::chunk_frames(plan.shape, plan.layout.capacity);
  const std::array<hsize_t, 3> extent = {plan.layout.capacity, plan.shape.stored_rows(),
                                         plan.shape.stored_columns()};
  const std::array<hsize_t, 3> chunk_extent = {in_chunk, plan.shape.stored_rows(),
                                               plan.shape.stored_columns()};
  const auto properties = without_times();
  properties.setChunk(3, chunk_extent.data());
  session::set_filters(properties, plan.codec, plan.shape.pixel);
  const auto set = file.createDataSet(session::kPieceFrames, pixel_type(plan.shape.pixel),
                                      H5::DataSpace(3, extent.data()), properties);
  describe_in_piece(set, session::kPieceFrames);
  for (std::size_t i = 0; i < chunks.size(); ++i) {
    const std::array<hsize_t, 3> at = {i * in_chunk, 0, 0};
    sketch.await(chunks[i]);
    if (H5Dwrite_chunk(set.getId(), H5P_DEFAULT, 0, at.data(), chunks[i].size(), chunks[i].data()) <
            0 ||
        !sketch.placed()) {
      throw session::Hdf5Fault("HDF5 did not take a chunk");
    }
    table.chunks.push_back({*sketch.placed(), chunks[i].size()});
  }
}

// Lets HDF5 lay the file out; the only time that HDF5 is needed, and short.
Result<ChunkTable> lay_out(Sketch& sketch, const SealPlan& plan, const std::vector<Bytes>& chunks) {
  ChunkTable table;
  table.codec = plan.codec;
  session::Hdf5Files files(sketch);
  CREEL_TRY(session::with_hdf5("laying out a sealed piece", ErrorCode::internal, &files, [&] {
    H5::FileCreatPropList creation;
    creation.setUserblock(session::user_block_bytes(plan.shape, plan.layout.capacity));
    H5::H5File file(kSketch, H5F_ACC_EXCL, creation, files.access(false));
    table.record_offset = add_record(file, plan.layout.capacity);
    add_valid(file, plan.layout.capacity);
    add_frames(file, sketch, plan, chunks, table);
    file.close();
  }));
  table.file_bytes = sketch.contents().size;
  return table;
}

Result<void> add_structure_crc(Sketch& sketch, const SealPlan& plan, ChunkTable& table) {
  std::vector<Region> left_out = {
      {table.record_offset, table.record_offset + plan.layout.capacity * sizeof(Record)}};
  for (const auto& chunk : table.chunks) {
    left_out.push_back({chunk.offset, chunk.offset + chunk.bytes});
  }
  auto file = sketch.open(kSketch);
  const auto crc =
      file.ok() ? session::crc_outside(**file, std::move(left_out),
                                       {session::user_block_bytes(plan.shape, plan.layout.capacity),
                                        table.file_bytes})
                : std::nullopt;
  if (!crc) {
    return Error{ErrorCode::internal, "a sealed piece has more structure than it can have"};
  }
  table.structure_crc = *crc;
  return {};
}

Result<void> write_draft(Disk& disk, const SealPlan& plan, const std::string& draft,
                         const Packed& packed) {
  Sketch sketch;
  auto table = lay_out(sketch, plan, packed.chunks);
  if (!table.ok()) {
    return table.error();
  }
  CREEL_TRY(add_structure_crc(sketch, plan, *table));
  auto opened = disk.open(draft, OpenMode::create_new);
  if (!opened.ok()) {
    return opened.error();
  }
  auto& file = **opened;
  CREEL_TRY(file.resize(table->file_bytes));
  CREEL_TRY(file.reserve(table->file_bytes));
  // Pages may reach into chunks and records, which come after.
  for (const auto& [number, page] : sketch.contents().pages) {
    const auto offset = number * MemorySource::kPage;
    const auto count = std::min<std::uint64_t>(page.size(), table->file_bytes - offset);
    CREEL_TRY(file.write_at(offset, std::span(page).first(count)));
  }
  CREEL_TRY(file.write_at(table->record_offset, std::as_bytes(std::span(packed.records))));
  for (std::size_t i = 0; i < packed.chunks.size(); ++i) {
    CREEL_TRY(file.write_at(table->chunks[i].offset, packed.chunks[i]));
  }
  CREEL_TRY(file.write_at(0, session::user_block(*table, plan.shape, plan.layout.capacity)));
  return file.sync();
}

// Reads the new file as our reader will.
Result<void> check_draft(Disk& disk, const SealPlan& plan, const std::string& draft,
                         const std::vector<Record>& records) {
  const auto source = disk_source(disk);
  auto piece = PieceFile::open(*source, draft, plan.layout, plan.shape);
  if (!piece.ok()) {
    return piece.error();
  }
  const auto wrong = [&](const std::string& what) {
    return Error{ErrorCode::corrupt, draft + ": " + what + " did not come back as it was written"};
  };
  if (!piece->sealed() || piece->lost() || piece->half_lost() ||
      piece->bytes() != piece->full_bytes() || !piece->structure_intact()) {
    return wrong("the structure");
  }
  std::vector<Record> copies(records.size());
  CREEL_TRY(piece->read_records(0, copies));
  if (std::memcmp(copies.data(), records.data(), records.size() * sizeof(Record)) != 0) {
    return wrong("the records");
  }
  Bytes frame(plan.shape.bytes());
  for (std::size_t place = 0; place < records.size(); ++place) {
    CREEL_TRY(piece->read_frame(place, frame));
    if (crc32c(frame) != records[place].frame_crc) {
      return wrong("the frame in place " + std::to_string(place));
    }
  }
  return {};
}

Result<void> make_draft(Disk& disk, const SealPlan& plan, const std::string& draft,
                        const Packed& packed) {
  if (disk.exists(draft)) {
    CREEL_TRY(disk.remove_file(draft));
  }
  auto made = write_draft(disk, plan, draft, packed);
  made = made.ok() ? check_draft(disk, plan, draft, packed.records) : made;
  if (!made.ok() && disk.exists(draft)) {
    (void)disk.remove_file(draft);
  }
  return made;
}

}  // namespace

Result<void> seal_piece(Disk& disk, const SealPlan& plan, std::uint64_t number,
                        const std::function<bool()>& stopped) {
  const auto path = plan.folder + "/" + session::piece_name(number);
  const auto source = disk_source(disk);
  auto piece = PieceFile::open(*source, path, plan.layout, plan.shape);
  if (!piece.ok()) {
    return piece.error();
  }
  if (piece->sealed()) {
    return {};
  }
  Packed packed;
  CREEL_TRY(read_records(*piece, plan, path, packed.records));
  CREEL_TRY(pack_frames(*piece, plan, path, stopped, packed));
  const auto draft = path + ".part";
  CREEL_TRY(make_draft(disk, plan, draft, packed));
  if (auto renamed = disk.rename(draft, path); !renamed.ok()) {
    (void)disk.remove_file(draft);
    return renamed;
  }
  return disk.sync_directory(plan.folder);
}

Result<void> clear_drafts(Disk& disk, const std::string& folder) {
  auto names = disk.list(folder);
  if (!names.ok()) {
    return names.error();
  }
  for (const auto& name : *names) {
    if (name.starts_with("piece-") && name.ends_with(".h5.part")) {
      std::string path = folder;
      CREEL_TRY(disk.remove_file(path.append("/").append(name)));
    }
  }
  return {};
}

}  // namespace creel::store
