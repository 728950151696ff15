#include "protocol/session/reader.h"

#include <algorithm>
#include <array>
#include <cstdio>

#include "protocol/base/crc32c.h"
#include "protocol/session/documents.h"
#include "protocol/session/folder_reader.h"

namespace creel::session {

namespace {

constexpr std::size_t kPrefix = 9;  // 8 digits and a space

// One line without its LF.
bool line_holds(std::string_view line, nlohmann::json& event) {
  if (line.size() < kPrefix || line[kPrefix - 1] != ' ') {
    return false;
  }
  const auto text = line.substr(kPrefix);
  std::array<char, 16> crc{};
  std::snprintf(crc.data(), crc.size(), "%08x", crc32c(std::as_bytes(std::span(text))));
  if (line.substr(0, kPrefix - 1) != std::string_view(crc.data())) {
    return false;
  }
  event = nlohmann::json::parse(text, nullptr, false);
  return event.is_object();
}

bool ends_with_whole(const std::string& path) {
  return path == kWholeName || path.ends_with(std::string("/") + kWholeName);
}

std::string folder_of(const std::string& path) {
  auto folder = path.substr(0, path.size() - std::string_view(kWholeName).size());
  while (folder.size() > 1 && folder.back() == '/') {
    folder.pop_back();
  }
  return folder.empty() ? "." : folder;
}

template <class T>
Result<std::unique_ptr<Reader>> as_reader(Result<std::unique_ptr<T>> opened) {
  if (!opened.ok()) {
    return opened.error();
  }
  return std::unique_ptr<Reader>(std::move(opened).value());
}

}  // namespace

EventLog parse_event_log(std::string_view text) {
  EventLog log;
  std::uint64_t number = 0;
  for (std::size_t begin = 0; begin < text.size();) {
    const auto end = text.find('\n', begin);
    if (end == std::string_view::npos) {
      log.torn = true;
      break;
    }
    number += 1;
    nlohmann::json event;
    if (line_holds(text.substr(begin, end - begin), event)) {
      log.events.push_back(std::move(event));
    } else {
      log.bad_lines.push_back(number);
    }
    begin = end + 1;
    log.good_bytes = begin;
  }
  return log;
}

Result<std::unique_ptr<Reader>> Reader::open(FileSource& source, const std::string& path) {
  std::string place = path;
  while (place.size() > 1 && place.back() == '/') {
    place.pop_back();
  }
  if (ends_with_whole(place)) {
    return as_reader(FolderReader::open(source, folder_of(place)));
  }
  if (place.ends_with(".h5")) {
    return open_file(source, place);
  }
  if (source.exists(place + "/" + kWholeName)) {
    return as_reader(FolderReader::open(source, place));
  }
  if (source.exists(place + ".h5")) {
    return open_file(source, place + ".h5");
  }
  return Error{ErrorCode::invalid_request,
               path + ": there is no session here; expected a folder with " + kWholeName +
                   " or a file that ends in .h5"};
}

std::optional<std::size_t> Reader::find(std::uint64_t sequence) const {
  const auto found = std::lower_bound(
      records_.begin(), records_.end(), sequence,
      [](const Record& record, std::uint64_t wanted) { return record.sequence < wanted; });
  if (found == records_.end() || found->sequence != sequence) {
    return std::nullopt;
  }
  return static_cast<std::size_t>(found - records_.begin());
}

}  // namespace creel::session
