// NAME.h5, read through HDF5.
#include <algorithm>
#include <limits>
#include <span>

#include "protocol/base/crc32c.h"
#include "protocol/session/documents.h"
#include "protocol/session/filters.h"
#include "protocol/session/paths.h"

namespace creel::session {

namespace {

class FileReader final : public Reader {
 public:
  FileReader(FileSource& source, std::string path) : files_(source), path_(std::move(path)) {}
  ~FileReader() override {
    (void)with_hdf5("closing " + path_, ErrorCode::internal, nullptr, [&] {
      frames_.close();
      frames_type_.close();
      file_.reset();
    });
  }
  FileReader(const FileReader&) = delete;
  FileReader& operator=(const FileReader&) = delete;

  // What readers of the same file share; never changed.
  struct Known {
    std::vector<Record> records;
    std::vector<hsize_t> rows;  // of the records in the data set
  };

  Result<void> load() {
    return with_hdf5("reading " + path_, ErrorCode::corrupt, &files_, [&] {
      file_.emplace(path_, H5F_ACC_RDONLY, H5::FileCreatPropList::DEFAULT, files_.access(true));
      auto read = read_documents(*file_);
      documents_ = std::move(read.documents);
      faults_ = std::move(read.faults);
      open_frames();
      read_records();
    });
  }

  [[nodiscard]] bool folded() const override { return true; }

  Result<void> read_frame(std::size_t index, std::span<std::byte> into) override {
    CREEL_INVARIANT(index < known_->records.size() && into.size() == documents_.shape.bytes(),
                    "the frame asked for exists and fits");
    if (codec_) {
      CREEL_TRY(read_from_chunk(index, into));
    }
    if (!codec_) {
      CREEL_TRY(read_through_hdf5(index, into));
    }
    if (crc32c(into) != known_->records[index].frame_crc) {
      return Error{ErrorCode::corrupt, place(index) + ": the frame does not match its checksum"};
    }
    return {};
  }

  Result<EventLog> each_event(const EventParser::Take& take,
                              const EventParser::Words& words) override {
    std::string text;
    CREEL_TRY(with_hdf5("reading " + path_, ErrorCode::corrupt, &files_,
                        [&] { text = read_text(*file_, kPathEvents, nullptr, kLongestLog); }));
    EventParser parser(take, words);
    parser.add(text);
    return parser.end();
  }

  [[nodiscard]] std::span<const Record> records() const override { return known_->records; }

  Result<std::unique_ptr<Reader>> again(FileSource& source) const override {
    auto reader = std::make_unique<FileReader>(source, path_);
    reader->known_ = known_;
    reader->documents_ = documents_;
    reader->faults_ = faults_;
    CREEL_TRY(with_hdf5("reading " + path_, ErrorCode::corrupt, &reader->files_, [&] {
      reader->file_.emplace(path_, H5F_ACC_RDONLY, H5::FileCreatPropList::DEFAULT,
                            reader->files_.access(true));
      reader->open_frames();
    }));
    if (reader->extent_ != extent_) {
      return Error{ErrorCode::corrupt, path_ + ": it was replaced while it was read"};
    }
    return std::unique_ptr<Reader>(std::move(reader));
  }

  [[nodiscard]] bool proven(std::size_t) const override { return true; }
  [[nodiscard]] std::string place(std::size_t index) const override {
    return path_ + " frame " + std::to_string(known_->records[index].sequence);
  }
  Result<void> refresh() override { return {}; }

 private:
  // Whole chunks are read and unpacked here: HDF5 would do it while everybody else waits for it.
  Result<void> read_from_chunk(std::size_t index, std::span<std::byte> into) {
    const auto row = known_->rows[index];
    if (unpacked_ != row / frames_a_chunk_) {
      unpacked_.reset();
      CREEL_TRY(with_hdf5("reading " + place(index), ErrorCode::corrupt, &files_,
                          [&] { read_packed(row / frames_a_chunk_ * frames_a_chunk_); }));
      if (!codec_) {
        return {};
      }
      unpacked_frames_.resize(frames_a_chunk_ * into.size());
      // Good or not: the frame's checksum decides.
      (void)unpack(*codec_, documents_.shape.pixel, packed_, unpacked_frames_);
      unpacked_ = row / frames_a_chunk_;
    }
    std::copy_n(
        unpacked_frames_.begin() + static_cast<std::ptrdiff_t>(row % frames_a_chunk_ * into.size()),
        into.size(), into.begin());
    return {};
  }

  void read_packed(hsize_t first_row) {
    std::vector<hsize_t> at(extent_.size(), 0);
    at[0] = first_row;
    hsize_t bytes = 0;
    std::uint32_t skipped_filters = 0;
    bool read = H5Dget_chunk_storage_size(frames_.getId(), at.data(), &bytes) >= 0;
    if (read && bytes > largest_packed(frames_a_chunk_ * documents_.shape.bytes())) {
      throw Hdf5Fault("the chunk is larger than any can be");
    }
    packed_.resize(bytes);
    read = read && H5Dread_chunk(frames_.getId(), H5P_DEFAULT, at.data(), &skipped_filters,
                                 packed_.data()) >= 0;
    if (!read) {
      throw Hdf5Fault("HDF5 cannot find or read the chunk");
    }
    if (skipped_filters != 0) {
      codec_.reset();  // written by another program, which left out a filter here
    }
  }

  Result<void> read_through_hdf5(std::size_t index, std::span<std::byte> into) {
    return with_hdf5("reading " + place(index), ErrorCode::corrupt, &files_, [&] {
      std::vector<hsize_t> start(extent_.size(), 0), count = extent_;
      start[0] = known_->rows[index];
      count[0] = 1;
      const hsize_t all = documents_.shape.bytes() / frames_type_.getSize();
      const H5::DataSpace memory(1, &all);
      const auto space = frames_.getSpace();
      space.selectHyperslab(H5S_SELECT_SET, count.data(), start.data());
      frames_.read(into.data(), frames_type_, memory, space);
    });
  }

  // A codec of ours, in chunks of whole frames no larger than ours are.
  void look_at_chunks() {
    const auto properties = frames_.getCreatePlist();
    const auto& shape = documents_.shape;
    if (properties.getLayout() != H5D_CHUNKED ||
        frames_type_.getSize() != pixel_bytes(shape.pixel)) {
      return;
    }
    std::vector<hsize_t> chunk(extent_.size());
    if (properties.getChunk(static_cast<int>(chunk.size()), chunk.data()) !=
        static_cast<int>(extent_.size())) {
      return;
    }
    frames_a_chunk_ = chunk[0];
    chunk[0] = extent_[0];
    const bool whole_frames = chunk == extent_ && frames_a_chunk_ > 0;
    if (whole_frames &&
        frames_a_chunk_ <= chunk_frames(shape, std::numeric_limits<std::uint64_t>::max())) {
      codec_ = codec_of(properties, shape.pixel);
    }
  }

  void open_frames() {
    // Room for a few chunks of small spectra; a frame above 1 MiB is a chunk of its own.
    H5::DSetAccPropList access;
    access.setChunkCache(101, 8U << 20, 1.0);
    frames_ = file_->openDataSet(kPathFrames, access);
    frames_type_ = frames_.getDataType();
    const auto space = frames_.getSpace();
    extent_.resize(static_cast<std::size_t>(std::max(0, space.getSimpleExtentNdims())));
    if (extent_.size() != 2 && extent_.size() != 3) {
      throw Hdf5Fault(std::string(kPathFrames) + " has no possible shape");
    }
    space.getSimpleExtentDims(extent_.data());
    std::uint64_t bytes = frames_type_.getSize();
    for (std::size_t i = 1; i < extent_.size(); ++i) {
      bytes = extent_[i] > kLargestFrame ? 0 : bytes * extent_[i];
    }
    if (bytes != documents_.shape.bytes() || frames_type_.detectClass(H5T_VLEN) ||
        frames_type_.detectClass(H5T_REFERENCE)) {
      throw Hdf5Fault(std::string(kPathFrames) +
                      " does not have the shape that the session states");
    }
    look_at_chunks();
  }

  void read_records() {
    const auto set = file_->openDataSet(kPathRecord);
    const auto type = set.getDataType();
    const auto space = set.getSpace();
    hsize_t count = 0;
    if (type.getClass() == H5T_COMPOUND && space.getSimpleExtentNdims() == 1) {
      space.getSimpleExtentDims(&count);
    }
    const bool stored = count == extent_[0] && set.getStorageSize() / sizeof(Record) >= count;
    if (type.getSize() != sizeof(Record) || !stored || type.detectClass(H5T_VLEN) ||
        set.getStorageSize() > file_->getFileSize()) {
      throw Hdf5Fault(std::string(kPathRecord) + " does not fit the frames");
    }
    Known known;
    known.records.resize(count);
    if (count > 0) {
      set.read(known.records.data(), type);
    }
    keep(known);
    known_ = std::make_shared<const Known>(std::move(known));
  }

  // Those that hold, moved together where they are.
  void keep(Known& known) {
    auto& all = known.records;
    std::size_t kept = 0;
    for (std::size_t row = 0; row < all.size(); ++row) {
      const auto& record = all[row];
      const bool in_order = kept == 0 || record.sequence > all[kept - 1].sequence;
      if (sealed(record) && record.frame_bytes == documents_.shape.bytes() && in_order) {
        known.rows.push_back(row);
        all[kept++] = record;
      } else {
        faults_.push_back({FaultKind::record,
                           std::string(kPathRecord) + " row " + std::to_string(row),
                           "held an acknowledged frame, and its record is now damaged"});
      }
    }
    all.resize(kept);
  }

  Hdf5Files files_;
  std::string path_;
  std::optional<H5::H5File> file_;
  H5::DataSet frames_;
  H5::DataType frames_type_;
  std::vector<hsize_t> extent_;
  std::shared_ptr<const Known> known_;
  // How to read the frames without HDF5's filters, if that is possible.
  std::optional<Codec> codec_;
  hsize_t frames_a_chunk_ = 0;
  std::optional<hsize_t> unpacked_;  // number of the chunk whose frames are in unpacked_frames_
  std::vector<std::byte> packed_, unpacked_frames_;
};

}  // namespace

Result<std::unique_ptr<Reader>> Reader::open_file(FileSource& source, const std::string& path) {
  if (!source.exists(path)) {
    return Error{ErrorCode::invalid_request, path + ": there is no session here"};
  }
  auto reader = std::make_unique<FileReader>(source, path);
  CREEL_TRY(reader->load());
  return std::unique_ptr<Reader>(std::move(reader));
}

}  // namespace creel::session
