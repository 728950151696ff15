#include "client/calibrate/folder.h"

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <system_error>
#include <tuple>

#include "client/report/drawing.h"
#include "protocol/base/text.h"

namespace creel::calibrate {

namespace fs = std::filesystem;

namespace {

constexpr std::uintmax_t kMostBytes = 4'000'000;

/// "20261127T130501" of a moment.
std::string stamp(std::int64_t utc_ns) {
  std::string text;
  for (const char letter : utc_text(utc_ns).substr(0, 19)) {
    if (letter != '-' && letter != ':') text += letter;
  }
  return text;
}

}  // namespace

std::string beside_sessions(const std::string& sessions_directory, const std::string& folder) {
  fs::path path = fs::path(sessions_directory).lexically_normal();
  if (!path.has_filename()) path = path.parent_path();  // a slash at the end
  return (path.parent_path() / folder).string();
}

std::string beside_session(const std::string& session_path, const std::string& folder) {
  std::error_code failed;
  fs::path path = fs::absolute(session_path, failed).lexically_normal();
  if (!path.has_filename()) path = path.parent_path();
  if (path.filename() == "whole.h5") path = path.parent_path();
  return beside_sessions(path.parent_path().string(), folder);
}

const Calibration* Shelf::newest(std::string_view kind, std::string_view rig) const {
  const auto at = std::find_if(records.begin(), records.end(), [&](const Calibration& one) {
    return one.kind == kind && one.rig == rig;
  });
  return at == records.end() ? nullptr : &*at;
}

Shelf read_shelf(const std::string& directory) {
  Shelf shelf;
  shelf.directory = directory;
  std::error_code failed;
  for (const fs::directory_entry& entry : fs::directory_iterator(directory, failed)) {
    if (entry.path().extension() != ".json") continue;
    if (entry.file_size(failed) > kMostBytes || failed) {
      shelf.unreadable.push_back(entry.path().string() + ": too large for a calibration");
      continue;
    }
    std::ifstream file(entry.path(), std::ios::binary);
    const std::string text{std::istreambuf_iterator<char>(file), {}};
    auto record = parse_calibration(text, entry.path().string());
    if (record.ok()) {
      shelf.records.push_back(std::move(*record));
    } else {
      shelf.unreadable.push_back(record.error().text);
    }
  }
  std::sort(shelf.records.begin(), shelf.records.end(),
            [](const Calibration& a, const Calibration& b) {
              // Of the same frames the one that was written later: NAME-2 after NAME.
              const auto place = [](const Calibration& one) {
                return std::tuple(one.taken_utc_ns, one.origin.size(), one.origin);
              };
              return place(a) > place(b);
            });
  return shelf;
}

Result<std::string> write_new(const std::string& directory, const std::string& name,
                              const std::string& text) {
  std::error_code failed;
  fs::create_directories(directory, failed);
  if (failed) {
    return Error{ErrorCode::storage_failed, directory + ": " + failed.message()};
  }
  const std::string first = (fs::path(directory) / name).string();
  CREEL_TRY(report::write_whole(first + ".new", text));
  // A second name for a file is given only where none is: nothing is ever replaced.
  for (int number = 1; number < 1000; ++number) {
    const std::string path = first + (number == 1 ? "" : "-" + std::to_string(number)) + ".json";
    fs::create_hard_link(first + ".new", path, failed);
    if (failed == std::errc::file_exists) continue;
    std::error_code ignored;
    if (!failed) {
      fs::remove(first + ".new", ignored);
      return path;
    }
    return Error{ErrorCode::storage_failed, path + ": " + failed.message()};
  }
  return Error{ErrorCode::storage_failed, first + ".json and 999 more of that name are taken"};
}

Result<std::string> keep(const std::string& directory, const Calibration& record) {
  return write_new(directory, record.kind + "-" + stamp(record.taken_utc_ns),
                   to_json(record).dump(1) + "\n");
}

}  // namespace creel::calibrate
