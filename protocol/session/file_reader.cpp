// NAME.h5, read through HDF5.
#include <algorithm>
#include <span>

#include "protocol/base/crc32c.h"
#include "protocol/session/documents.h"
#include "protocol/session/paths.h"

namespace creel::session {

namespace {

class FileReader final : public Reader {
 public:
  FileReader(FileSource& source, std::string path) : files_(source), path_(std::move(path)) {}

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
    CREEL_INVARIANT(index < records_.size() && into.size() == documents_.shape.bytes(),
                    "the frame asked for exists and fits");
    CREEL_TRY(with_hdf5("reading " + place(index), ErrorCode::corrupt, &files_, [&] {
      std::vector<hsize_t> start(extent_.size(), 0), count = extent_;
      start[0] = rows_[index];
      count[0] = 1;
      const hsize_t all = documents_.shape.bytes() / frames_type_.getSize();
      const H5::DataSpace memory(1, &all);
      const auto space = frames_.getSpace();
      space.selectHyperslab(H5S_SELECT_SET, count.data(), start.data());
      frames_.read(into.data(), frames_type_, memory, space);
    }));
    if (crc32c(into) != records_[index].frame_crc) {
      return Error{ErrorCode::corrupt, place(index) + ": the frame does not match its checksum"};
    }
    return {};
  }

  Result<EventLog> events() override {
    EventLog log;
    CREEL_TRY(with_hdf5("reading " + path_, ErrorCode::corrupt, &files_,
                        [&] { log = parse_event_log(read_text(*file_, kPathEvents)); }));
    return log;
  }

  [[nodiscard]] bool proven(std::size_t) const override { return true; }
  [[nodiscard]] std::string place(std::size_t index) const override {
    return path_ + " frame " + std::to_string(records_[index].sequence);
  }
  Result<void> refresh() override { return {}; }

 private:
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
    std::vector<Record> all(count);
    if (count > 0) {
      set.read(all.data(), type);
    }
    keep(all);
  }

  void keep(const std::vector<Record>& all) {
    for (std::size_t row = 0; row < all.size(); ++row) {
      const auto& record = all[row];
      const bool in_order = records_.empty() || record.sequence > records_.back().sequence;
      if (sealed(record) && record.frame_bytes == documents_.shape.bytes() && in_order) {
        records_.push_back(record);
        rows_.push_back(row);
      } else {
        faults_.push_back({FaultKind::record,
                           std::string(kPathRecord) + " row " + std::to_string(row),
                           "held an acknowledged frame, and its record is now damaged"});
      }
    }
  }

  Hdf5Files files_;
  std::string path_;
  std::optional<H5::H5File> file_;
  H5::DataSet frames_;
  H5::DataType frames_type_;
  std::vector<hsize_t> extent_;
  std::vector<hsize_t> rows_;  // of records_ in the data set
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
