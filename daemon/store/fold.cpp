#include "daemon/store/fold.h"

#include <algorithm>
#include <array>
#include <atomic>
#include <optional>
#include <thread>
#include <vector>

#include "daemon/store/disk_source.h"
#include "daemon/store/nexus.h"
#include "daemon/store/on_workers.h"
#include "daemon/store/tree.h"
#include "protocol/session/codec.h"
#include "protocol/session/electron_event.h"
#include "protocol/session/filters.h"
#include "protocol/session/folder_reader.h"
#include "protocol/session/hdf5.h"
#include "protocol/session/paths.h"

namespace creel::store {

namespace {

using Told = std::function<void(std::uint64_t, std::uint64_t)>;
using session::Codec;
using session::FolderReader;

// A session whose pieces are not packed ends as a file that every HDF5 program reads.
Codec codec_of_file(const SessionStart& start) {
  return start.codec == Codec::none ? Codec::deflate : start.codec;
}

// The chunks of the pieces, so that they can be copied.
std::uint64_t frames_a_chunk(const FolderReader& reader) {
  const auto in_piece = session::chunk_frames(reader.documents().shape, reader.layout().capacity);
  return std::clamp<std::uint64_t>(reader.records().size(), 1, in_piece);
}

BigSet chunked_frames(const session::FrameShape& shape, Codec codec, std::uint64_t frames,
                      std::uint64_t in_chunk) {
  const auto extent = frames_shape(shape, frames);
  auto largest = extent;
  auto chunk = extent;
  chunk[0] = in_chunk;
  if (frames == 0) {
    largest[0] = H5S_UNLIMITED;  // a chunk may not be larger than a fixed extent
  }
  BigSet set{H5::DataSpace(static_cast<int>(extent.size()), extent.data(), largest.data()), {}};
  set.properties.setChunk(static_cast<int>(chunk.size()), chunk.data());
  session::set_filters(set.properties, codec, shape.pixel);
  set.properties.setFillTime(H5D_FILL_TIME_NEVER);
  return set;
}

BigSet record_set(std::uint64_t frames) {
  const hsize_t count = frames;
  return {H5::DataSpace(1, &count), {}};
}

// The file while it is written. HDF5 is entered for each step and left again.
class Draft {
 public:
  Draft(Disk& disk, std::string path)
      : source_(disk_source(disk)), files_(*source_), path_(std::move(path)) {}
  ~Draft() { (void)close(); }
  Draft(const Draft&) = delete;
  Draft& operator=(const Draft&) = delete;

  Result<void> create(const SessionStart& start, const FolderReader& reader,
                      const std::string& events, const nlohmann::json& summary) {
    return in_hdf5([&] {
      file_.emplace(path_, H5F_ACC_EXCL, H5::FileCreatPropList::DEFAULT, files_.access(true));
      const auto count = reader.records().size();
      const auto codec = codec_of_file(start);
      std::optional<BigSet> counted;
      if (start.shape.lists_events()) {
        const auto shape = counted_shape(start.shape);
        counted = chunked_frames(shape, codec, count,
                                 session::chunk_frames(shape, std::max<std::uint64_t>(count, 1)));
      }
      write_tree(*file_, start, chunked_frames(start.shape, codec, count, frames_a_chunk(reader)),
                 record_set(count), nullptr, counted ? &*counted : nullptr);
      write_end(*file_, start, reader.records(), events, summary);
      if (count > 0) {
        file_->openDataSet(session::kPathRecord).write(reader.records().data(), record_type());
      }
      frames_.emplace(file_->openDataSet(frames_path(start.shape)));
      if (counted) {
        H5::DSetAccPropList access;  // a chunk fits, so that it is packed once
        access.setChunkCache(101, 2 * session::kChunkBytes, 1.0);
        counted_.emplace(file_->openDataSet(counted_path(), access));
      }
    });
  }

  Result<void> write_chunk(std::uint64_t first, std::span<const std::byte> chunk) {
    return in_hdf5([&] {
      const std::array<hsize_t, 3> at = {first, 0, 0};
      if (H5Dwrite_chunk(frames_->getId(), H5P_DEFAULT, 0, at.data(), chunk.size(), chunk.data()) <
          0) {
        throw session::Hdf5Fault("HDF5 did not take a chunk");
      }
    });
  }

  /// What the events of one frame come to in every column.
  Result<void> write_counted(std::uint64_t index, std::span<const std::uint32_t> counts) {
    return in_hdf5([&] {
      const auto space = counted_->getSpace();
      const std::array<hsize_t, 2> at = {index, 0}, block = {1, counts.size()};
      space.selectHyperslab(H5S_SELECT_SET, block.data(), at.data());
      counted_->write(counts.data(), pixel_type(session::Pixel::u32),
                      H5::DataSpace(2, block.data()), space);
    });
  }

  Result<void> close() {
    return in_hdf5([&] {
      frames_.reset();
      counted_.reset();
      if (file_) {
        file_->close();
        file_.reset();
      }
    });
  }

 private:
  Result<void> in_hdf5(const std::function<void()>& job) {
    return session::with_hdf5("writing " + path_, ErrorCode::storage_failed, &files_, job);
  }

  std::unique_ptr<session::FileSource> source_;
  session::Hdf5Files files_;
  std::string path_;
  std::optional<H5::H5File> file_;
  std::optional<H5::DataSet> frames_, counted_;
};

// One chunk on its way from the folder to the file.
struct Chunk {
  std::vector<std::byte> frames;  // empty: `packed` was copied from a sealed piece
  std::vector<std::byte> packed;
};

Result<void> read_chunk(FolderReader& reader, std::uint64_t first, Codec codec, Chunk& chunk) {
  const auto in_chunk = frames_a_chunk(reader);
  const auto count = std::min<std::uint64_t>(in_chunk, reader.records().size() - first);
  chunk.frames.clear();
  auto copied = reader.read_chunk(first, count, codec, chunk.packed);
  if (!copied.ok() || *copied) {
    return copied.ok() ? Result<void>() : copied.error();
  }
  const auto each = reader.documents().shape.bytes();
  chunk.frames.resize(in_chunk * each);  // the last chunk is padded with zeros
  for (std::uint64_t i = 0; i < count; ++i) {
    CREEL_TRY(reader.read_frame(first + i, std::span(chunk.frames).subspan(i * each, each)));
  }
  return {};
}

Result<void> write_frames(Draft& draft, FolderReader& reader, Codec codec, const Told& progress,
                          std::span<Worker* const> workers) {
  const auto total = reader.records().size();
  const auto in_chunk = frames_a_chunk(reader);
  const auto pixel = reader.documents().shape.pixel;
  std::vector<Chunk> batch(workers.empty() ? 1 : 2 * (workers.size() + 1));
  for (std::uint64_t first = 0; first < total;) {
    std::size_t count = 0;
    for (; count < batch.size() && first + count * in_chunk < total; ++count) {
      CREEL_TRY(read_chunk(reader, first + count * in_chunk, codec, batch[count]));
    }
    on_workers(workers, count, [&](std::size_t i) {
      if (!batch[i].frames.empty()) {
        session::pack(codec, pixel, batch[i].frames, batch[i].packed);
      }
    });
    for (std::size_t i = 0; i < count; ++i, first += in_chunk) {
      CREEL_TRY(draft.write_chunk(first, batch[i].packed));
    }
    if (progress) {
      progress(std::min<std::uint64_t>(first, total) / 2, total);  // the other half is the check
    }
  }
  return {};
}

Result<void> write_counted(Draft& draft, FolderReader& reader) {
  const auto& shape = reader.documents().shape;
  std::vector<std::byte> frame(shape.bytes());
  for (std::uint64_t i = 0; i < reader.records().size(); ++i) {
    CREEL_TRY(reader.read_frame(i, frame));
    std::vector<std::uint32_t> counts(shape.columns);
    const auto events = std::min<std::uint64_t>(reader.records()[i].events, shape.most_events);
    for (std::uint64_t k = 0; k < events; ++k) {
      const auto column = session::event_at(frame, k).column;
      if (column < counts.size()) {
        ++counts[column];
      }
    }
    CREEL_TRY(draft.write_counted(i, counts));
  }
  return {};
}

Result<void> write_file(Disk& disk, const std::string& path, const SessionStart& start,
                        FolderReader& reader, const std::string& events,
                        const nlohmann::json& summary, const Told& progress,
                        std::span<Worker* const> workers) {
  Draft draft(disk, path);
  CREEL_TRY(draft.create(start, reader, events, summary));
  CREEL_TRY(write_frames(draft, reader, codec_of_file(start), progress, workers));
  if (start.shape.lists_events()) {
    CREEL_TRY(write_counted(draft, reader));
  }
  return draft.close();
}

// Reads the new file back as any reader would, and compares it with the folder. Every thread has a
// reader of its own, which shares the records, and takes a run of frames.
class FileCheck {
 public:
  FileCheck(Disk& disk, std::string path, FolderReader& reader, const Told& progress)
      : disk_(disk), path_(std::move(path)), reader_(reader), progress_(progress) {}

  Result<void> run(std::span<Worker* const> workers) {
    source_ = disk_source(disk_);
    auto opened = session::Reader::open_file(*source_, path_);
    if (!opened.ok()) {
      return opened.error();
    }
    copy_ = std::move(*opened);
    const auto parts = workers.size() + 1;
    const auto total = reader_.records().size();
    // Whole chunks each, so that none is unpacked twice.
    const auto in_chunk = frames_a_chunk(reader_);
    const auto chunks = (total + in_chunk - 1) / in_chunk;
    const auto edge = [&](std::size_t part) {
      return std::min<std::uint64_t>(total, chunks * part / parts * in_chunk);
    };
    std::vector<Result<void>> found(parts);
    on_workers(workers, parts,
               [&](std::size_t part) { found[part] = check(edge(part), edge(part + 1)); });
    for (const auto& result : found) {
      if (!result.ok() && result.error().code != ErrorCode::cancelled) {
        return blame(result.error());
      }
    }
    return {};
  }

 private:
  Error wrong(const std::string& what) const {
    return {ErrorCode::corrupt, path_ + ": " + what + " did not come back as it was written"};
  }

  Result<void> check(std::uint64_t first, std::uint64_t end) {
    auto checked = check_part(first, end);
    failed_ = failed_ || !checked.ok();
    return checked;
  }

  Result<void> check_part(std::uint64_t first, std::uint64_t end) {
    auto source = disk_source(disk_);
    auto opened = copy_->again(*source);
    if (!opened.ok()) {
      return opened.error();
    }
    auto& copy = **opened;
    const auto& documents = reader_.documents();
    if (!copy.faults().empty() || copy.records().size() != reader_.records().size()) {
      return wrong("the records");
    }
    if (copy.documents().series_text != documents.series_text ||
        copy.documents().rig_text != documents.rig_text) {
      return wrong("a document");
    }
    std::vector<std::byte> frame(documents.shape.bytes());
    for (auto i = first; i < end; ++i) {
      if (failed_) {
        return Error{ErrorCode::cancelled, "another part of the file is bad"};
      }
      if (copy.records()[i].record_crc != reader_.records()[i].record_crc) {
        return wrong("record " + std::to_string(i));
      }
      if (auto read = copy.read_frame(i, frame); !read.ok()) {
        bad_frame_ = i;
        return read;
      }
      tell();
    }
    return {};
  }

  void tell() {
    const auto total = reader_.records().size();
    const auto done = ++checked_;
    if (progress_ && std::this_thread::get_id() == thread_) {
      progress_((total + done) / 2, total);
    }
  }

  // A chunk copied as it was may have been damaged already: then that piece is to be named.
  Error blame(const Error& found) {
    const auto index = bad_frame_.load();
    if (index == kNone) {
      return found;
    }
    std::vector<std::byte> frame(reader_.documents().shape.bytes());
    auto original = reader_.read_frame(index, frame);
    return original.ok() ? found : original.error();
  }

  static constexpr std::uint64_t kNone = ~0ULL;
  Disk& disk_;
  std::string path_;
  FolderReader& reader_;
  const Told& progress_;
  std::thread::id thread_ = std::this_thread::get_id();
  std::atomic<std::uint64_t> checked_ = 0, bad_frame_ = kNone;
  std::atomic<bool> failed_ = false;
  std::unique_ptr<session::FileSource> source_;
  std::unique_ptr<session::Reader> copy_;  ///< its records serve all threads
};

// A folder in which anything is missing or damaged is the only witness of what was there.
Result<void> check_folder(FolderReader& reader, const std::string& folder) {
  if (!reader.faults().empty()) {
    const auto& fault = reader.faults().front();
    return Error{ErrorCode::corrupt,
                 folder + ": not folded, because " + fault.place + " " + fault.sentence +
                     (reader.faults().size() > 1 ? " (and more: see 'creel verify')" : "") +
                     ". The folder stays as it is; everything in it can be read"};
  }
  return {};
}

Result<void> sync_file(Disk& disk, const std::string& path) {
  auto file = disk.open(path, OpenMode::read_write);
  return file.ok() ? (*file)->sync() : Result<void>(file.error());
}

}  // namespace

SessionStart start_from(const session::Documents& documents, const std::string& directory) {
  SessionStart start;
  start.directory = directory;
  start.name = documents.name;
  start.shape = documents.shape;
  start.codec = documents.codec;
  start.frames_planned = documents.frames_planned;
  start.start_utc_ns = documents.start_utc_ns;
  start.start_world_ns = documents.start_world_ns;
  start.series_text = documents.series_text;
  start.series = nlohmann::json::parse(documents.series_text, nullptr, false);
  start.rig_text = documents.rig_text;
  start.rig = nlohmann::json::parse(documents.rig_text, nullptr, false);
  start.devices = documents.devices;
  start.software = documents.software;
  start.area_dose_before = documents.area_dose_before;
  return start;
}

Result<std::string> fold_folder(Disk& disk, const std::string& directory, const std::string& name,
                                const nlohmann::json& summary, const Told& progress,
                                std::span<Worker* const> workers) {
  const auto folder = directory + "/" + name;
  const auto path = folder + ".h5";
  const auto draft = path + ".part";
  auto source = disk_source(disk);
  auto reader = FolderReader::open(*source, folder);
  if (!reader.ok()) {
    return reader.error();
  }
  CREEL_TRY(check_folder(**reader, folder));
  auto events = read_all(disk, folder + "/" + session::kEventsName);
  if (!events.ok()) {
    return events.error();
  }
  if (disk.exists(draft)) {
    CREEL_TRY(disk.remove_file(draft));
  }
  const auto start = start_from((*reader)->documents(), directory);
  auto made = write_file(disk, draft, start, **reader, *events, summary, progress, workers);
  made = made.ok() ? sync_file(disk, draft) : made;
  made = made.ok() ? FileCheck(disk, draft, **reader, progress).run(workers) : made;
  made = made.ok() ? disk.rename(draft, path) : made;
  if (!made.ok()) {
    (void)disk.remove_file(draft);
    return made.error();
  }
  CREEL_TRY(disk.sync_directory(directory));
  return path;
}

bool belongs_to_session(const std::string& file_name) {
  std::string_view name = file_name;
  if (name.ends_with(".part")) {
    name.remove_suffix(5);
  }
  return name == session::kWholeName || name == session::kEventsName ||
         (name.starts_with("piece-") && name.ends_with(".h5"));
}

Result<void> remove_folder(Disk& disk, const std::string& directory, const std::string& name) {
  const auto folder = directory + "/" + name;
  CREEL_TRY(disk.sync_directory(directory));
  auto names = disk.list(folder);
  if (!names.ok()) {
    return names.error();
  }
  for (const auto& file : *names) {
    if (belongs_to_session(file)) {
      std::string path = folder;
      CREEL_TRY(disk.remove_file(path.append("/").append(file)));
    }
  }
  CREEL_TRY(disk.remove_directory(folder));
  return disk.sync_directory(directory);
}

}  // namespace creel::store
