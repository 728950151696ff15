#include "daemon/store/fold.h"

#include <algorithm>
#include <array>
#include <vector>

#include "daemon/store/disk_source.h"
#include "daemon/store/nexus.h"
#include "daemon/store/tree.h"
#include "protocol/session/folder_reader.h"
#include "protocol/session/hdf5.h"

namespace creel::store {

namespace {

using Told = std::function<void(std::uint64_t, std::uint64_t)>;
using session::FolderReader;
using session::FrameShape;
using session::Record;

constexpr std::uint64_t kChunkBytes = 1U << 20;
constexpr int kDeflateLevel = 1;

// Frames of one chunk: small spectra together, a larger frame alone.
std::uint64_t frames_per_chunk(const FrameShape& shape, std::uint64_t frames) {
  const auto fit = std::max<std::uint64_t>(1, kChunkBytes / shape.bytes());
  return std::max<std::uint64_t>(1, std::min(fit, frames));
}

BigSet chunked_frames(const FrameShape& shape, std::uint64_t frames) {
  const auto extent = frames_shape(shape, frames);
  auto largest = extent;
  auto chunk = extent;
  chunk[0] = frames_per_chunk(shape, frames);
  if (frames == 0) {
    largest[0] = H5S_UNLIMITED;  // a chunk may not be larger than a fixed extent
  }
  BigSet set{H5::DataSpace(static_cast<int>(extent.size()), extent.data(), largest.data()), {}};
  set.properties.setChunk(static_cast<int>(chunk.size()), chunk.data());
  set.properties.setShuffle();
  set.properties.setDeflate(kDeflateLevel);
  set.properties.setFillTime(H5D_FILL_TIME_NEVER);
  return set;
}

BigSet record_set(std::uint64_t frames) {
  const hsize_t count = frames;
  return {H5::DataSpace(1, &count), {}};
}

// Reads frames [first, first + count) one after another into `bytes`.
void read_group(FolderReader& reader, std::uint64_t first, std::uint64_t count,
                std::vector<std::byte>& bytes) {
  const auto each = reader.documents().shape.bytes();
  bytes.resize(count * each);
  for (std::uint64_t i = 0; i < count; ++i) {
    auto read = reader.read_frame(first + i, std::span(bytes).subspan(i * each, each));
    if (!read.ok()) {
      throw session::Hdf5Fault(read.error().text);
    }
  }
}

void write_frames(const session::Hdf5Files& files, const H5::H5File& file, FolderReader& reader,
                  const Told& progress) {
  const auto& shape = reader.documents().shape;
  const auto total = reader.records().size();
  const auto step = frames_per_chunk(shape, total);
  H5::DSetAccPropList access;
  access.setChunkCache(101, 2 * std::max(kChunkBytes, shape.bytes()), 1.0);
  const auto set = file.openDataSet(frames_path(shape), access);
  const auto type = pixel_type(shape.pixel);
  const auto space = set.getSpace();
  std::vector<std::byte> bytes;
  for (std::uint64_t first = 0; first < total && !files.failure(); first += step) {
    const auto count = std::min<std::uint64_t>(step, total - first);
    read_group(reader, first, count, bytes);
    const auto block = frames_shape(shape, count);
    std::vector<hsize_t> start(block.size(), 0);
    start[0] = first;
    space.selectHyperslab(H5S_SELECT_SET, block.data(), start.data());
    set.write(bytes.data(), type, H5::DataSpace(static_cast<int>(block.size()), block.data()),
              space);
    if (progress) {
      progress((first + count) / 2, total);  // the other half is the check
    }
  }
}

Result<void> write_file(Disk& disk, const std::string& path, const SessionStart& start,
                        FolderReader& reader, const std::string& events,
                        const nlohmann::json& summary, const Told& progress) {
  auto source = disk_source(disk);
  session::Hdf5Files files(*source);
  return session::with_hdf5("writing " + path, ErrorCode::storage_failed, &files, [&] {
    H5::H5File file(path, H5F_ACC_EXCL, H5::FileCreatPropList::DEFAULT, files.access(true));
    const auto count = reader.records().size();
    write_tree(file, start, chunked_frames(start.shape, count), record_set(count), nullptr);
    write_end(file, start, reader.records(), events, summary);
    if (count > 0) {
      file.openDataSet("/entry/creel/record").write(reader.records().data(), record_type());
    }
    write_frames(files, file, reader, progress);
    file.close();
  });
}

// Reads the new file back as any reader would, and compares it with the folder.
Result<void> check_file(Disk& disk, const std::string& path, FolderReader& reader,
                        const Told& progress) {
  auto source = disk_source(disk);
  auto opened = session::Reader::open_file(*source, path);
  if (!opened.ok()) {
    return opened.error();
  }
  auto& copy = **opened;
  const auto wrong = [&](const std::string& what) {
    return Error{ErrorCode::corrupt, path + ": " + what + " did not come back as it was written"};
  };
  const auto total = reader.records().size();
  if (!copy.faults().empty() || copy.records().size() != total) {
    return wrong("the records");
  }
  const bool documents = copy.documents().series_text == reader.documents().series_text &&
                         copy.documents().rig_text == reader.documents().rig_text;
  if (!documents) {
    return wrong("a document");
  }
  std::vector<std::byte> frame(reader.documents().shape.bytes());
  for (std::size_t i = 0; i < total; ++i) {
    if (copy.records()[i].record_crc != reader.records()[i].record_crc) {
      return wrong("record " + std::to_string(i));
    }
    CREEL_TRY(copy.read_frame(i, frame));
    if (progress) {
      progress((total + i + 1) / 2, total);
    }
  }
  return {};
}

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
                                const nlohmann::json& summary, const Told& progress) {
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
  auto made = write_file(disk, draft, start, **reader, *events, summary, progress);
  made = made.ok() ? sync_file(disk, draft) : made;
  made = made.ok() ? check_file(disk, draft, **reader, progress) : made;
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
      CREEL_TRY(disk.remove_file(folder + "/" + file));
    }
  }
  CREEL_TRY(disk.remove_directory(folder));
  return disk.sync_directory(directory);
}

}  // namespace creel::store
