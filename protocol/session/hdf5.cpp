#include "protocol/session/hdf5.h"

#include <algorithm>
#include <cstring>
#include <memory>
#include <mutex>
#include <span>

#include "protocol/session/filters.h"

namespace creel::session {

namespace {

// What HDF5 keeps for an open file. H5FD_t must come first: HDF5 knows only that part.
struct DriverFile {
  H5FD_t base{};
  Hdf5Files* files = nullptr;
  std::unique_ptr<SourceFile> file;
  std::string path;
  bool writing = false;
  haddr_t end_of_allocation = 0;
  haddr_t end_of_file = 0;
};

struct DriverInfo {
  Hdf5Files* files;
};

constexpr haddr_t kLargestAddress = (haddr_t{1} << 62) - 1;

DriverFile& self(H5FD_t* file) {
  return *reinterpret_cast<DriverFile*>(file);
}
const DriverFile& self(const H5FD_t* file) {
  return *reinterpret_cast<const DriverFile*>(file);
}

herr_t note(const DriverFile& file, const Error& error) {
  file.files->failed(error);
  return -1;
}

H5FD_t* open_file(const char* name, unsigned flags, hid_t access, haddr_t) {
  const auto* info = static_cast<const DriverInfo*>(H5Pget_driver_info(access));
  if (info == nullptr) {
    return nullptr;
  }
  auto opened = std::make_unique<DriverFile>();
  opened->files = info->files;
  opened->path = name;
  opened->writing = (flags & (H5F_ACC_CREAT | H5F_ACC_RDWR)) != 0;
  auto& source = info->files->source();
  auto file = (flags & H5F_ACC_CREAT) != 0 ? source.create(name) : source.open(name);
  if (!file.ok()) {
    info->files->opened(file.error());
    return nullptr;
  }
  info->files->opened(std::nullopt);
  opened->file = std::move(file).value();
  auto size = opened->file->size();
  if (!size.ok()) {
    info->files->failed(size.error());
    return nullptr;
  }
  opened->end_of_file = *size;
  return &opened.release()->base;
}

herr_t close_file(H5FD_t* file) {
  delete &self(file);
  return 0;
}

int compare(const H5FD_t* a, const H5FD_t* b) {
  const auto& x = self(a);
  const auto& y = self(b);
  if (x.files != y.files) {
    return x.files < y.files ? -1 : 1;
  }
  return x.path.compare(y.path);
}

herr_t query(const H5FD_t*, unsigned long* flags) {
  if (flags != nullptr) {
    *flags = H5FD_FEAT_AGGREGATE_METADATA | H5FD_FEAT_ACCUMULATE_METADATA | H5FD_FEAT_DATA_SIEVE |
             H5FD_FEAT_AGGREGATE_SMALLDATA;
  }
  return 0;
}

haddr_t end_of_allocation(const H5FD_t* file, H5FD_mem_t) {
  return self(file).end_of_allocation;
}

herr_t set_end_of_allocation(H5FD_t* file, H5FD_mem_t, haddr_t address) {
  self(file).end_of_allocation = address;
  return 0;
}

haddr_t end_of_file(const H5FD_t* file, H5FD_mem_t) {
  return self(file).end_of_file;
}

herr_t read_file(H5FD_t* base, H5FD_mem_t, hid_t, haddr_t address, size_t size, void* buffer) {
  auto& file = self(base);
  const std::span<std::byte> into(static_cast<std::byte*>(buffer), size);
  if (address > kLargestAddress || size > kLargestAddress) {
    return -1;
  }
  auto got = file.file->read_at(address, into);
  if (!got.ok() && file.writing) {
    note(file, got.error());
    std::memset(into.data(), 0, size);
    return 0;
  }
  if (!got.ok()) {
    return note(file, got.error());
  }
  std::memset(into.data() + *got, 0, size - *got);
  return 0;
}

// HDF5 cannot close a file that it cannot write: it keeps it open for good, and with it everything
// that belongs to it. So a failed write is remembered for with_hdf5() to report, what follows is
// dropped, and HDF5 is told that all is well.
herr_t write_file(H5FD_t* base, H5FD_mem_t, hid_t, haddr_t address, size_t size,
                  const void* buffer) {
  auto& file = self(base);
  if (!file.files->failure()) {
    auto done = file.file->write_at(address, {static_cast<const std::byte*>(buffer), size});
    if (!done.ok()) {
      note(file, done.error());
    }
  }
  file.end_of_file = std::max(file.end_of_file, address + size);
  return 0;
}

herr_t truncate_file(H5FD_t* base, hid_t, hbool_t) {
  auto& file = self(base);
  if (file.end_of_allocation == file.end_of_file) {
    return 0;
  }
  if (!file.files->failure()) {
    auto done = file.file->resize(file.end_of_allocation);
    if (!done.ok()) {
      note(file, done.error());
    }
  }
  file.end_of_file = file.end_of_allocation;
  return 0;
}

H5FD_class_t driver_class() {
  H5FD_class_t driver{};
  driver.name = "creel";
  driver.maxaddr = kLargestAddress;
  driver.fc_degree = H5F_CLOSE_STRONG;
  driver.fapl_size = sizeof(DriverInfo);
  driver.open = open_file;
  driver.close = close_file;
  driver.cmp = compare;
  driver.query = query;
  driver.get_eoa = end_of_allocation;
  driver.set_eoa = set_end_of_allocation;
  driver.get_eof = end_of_file;
  driver.read = read_file;
  driver.write = write_file;
  driver.truncate = truncate_file;
  // All kinds of data share one free list, as in HDF5's own default driver (H5FDsec2.c).
  for (auto& kind : driver.fl_map) {
    kind = H5FD_MEM_SUPER;
  }
  driver.fl_map[H5FD_MEM_DEFAULT] = H5FD_MEM_DEFAULT;
  return driver;
}

hid_t driver_id() {
  static const H5FD_class_t driver = driver_class();
  static hid_t id = H5I_INVALID_HID;
  // HDF5 forgets its drivers and filters when it is shut down and started again.
  if (H5Iis_valid(id) <= 0) {
    register_filters();
    id = H5FDregister(&driver);
  }
  return id;
}

std::string explain(const H5::Exception& exception) {
  return exception.getFuncName() + ": " + exception.getDetailMsg();
}

}  // namespace

H5::FileAccPropList Hdf5Files::access(bool new_format) const {
  H5::FileAccPropList properties;
  const DriverInfo info{const_cast<Hdf5Files*>(this)};
  properties.setDriver(driver_id(), &info);
  properties.setFcloseDegree(H5F_CLOSE_STRONG);
  if (new_format) {
    properties.setLibverBounds(H5F_LIBVER_V110, H5F_LIBVER_V110);
  } else {
    properties.setLibverBounds(H5F_LIBVER_EARLIEST, H5F_LIBVER_V110);
  }
  // C only. A reader that meets a torn metadata entry must say so at once: each further attempt
  // waits twice as long as the one before (H5C.c).
  H5Pset_metadata_read_attempts(properties.getId(), 1);
  return properties;
}

Result<void> with_hdf5(std::string_view doing, ErrorCode code, const Hdf5Files* files,
                       const std::function<void()>& job) {
  static std::recursive_mutex one_at_a_time;
  const std::lock_guard lock(one_at_a_time);
  H5::Exception::dontPrint();
  std::string text;
  try {
    job();
    if (files == nullptr || !files->failure()) {
      return {};
    }
  } catch (const H5::Exception& exception) {
    text = explain(exception);
  } catch (const std::exception& exception) {
    text = exception.what();
  }
  if (files != nullptr && files->failure()) {
    return files->failure()->during(doing);
  }
  if (files != nullptr && files->not_opened()) {
    return files->not_opened()->during(doing);
  }
  return Error{code, std::string(doing) + ": " + text};
}

}  // namespace creel::session
