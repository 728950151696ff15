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

// The JSON text of one line without its LF; nothing where the checksum does not hold.
std::optional<std::string_view> text_of(std::string_view line) {
  if (line.size() < kPrefix || line[kPrefix - 1] != ' ') {
    return std::nullopt;
  }
  const auto text = line.substr(kPrefix);
  std::array<char, 16> crc{};
  std::snprintf(crc.data(), crc.size(), "%08x", crc32c(std::as_bytes(std::span(text))));
  return line.substr(0, kPrefix - 1) == std::string_view(crc.data()) ? std::optional(text)
                                                                     : std::nullopt;
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

void EventParser::add(std::string_view part) {
  for (std::size_t end = part.find('\n'); end != std::string_view::npos; end = part.find('\n')) {
    if (begun_.empty()) {
      line(part.substr(0, end));
    } else {
      begun_.append(part.substr(0, end));
      line(begun_);
      begun_.clear();
    }
    part.remove_prefix(end + 1);
  }
  begun_.append(part);
}

void EventParser::line(std::string_view text) {
  number_ += 1;
  log_.good_bytes += text.size() + 1;
  const auto json = text_of(text);
  const auto asked_for = [&](const std::string& word) {
    return json->find(word) != std::string_view::npos;
  };
  if (json && !words_.empty() && std::none_of(words_.begin(), words_.end(), asked_for)) {
    return;
  }
  auto event = nlohmann::json::parse(json.value_or(""), nullptr, false);
  if (event.is_object()) {
    take_(std::move(event));
  } else {
    log_.bad_lines.push_back(number_);
  }
}

EventLog EventParser::end() {
  log_.torn = !begun_.empty();
  return std::move(log_);
}

EventLog parse_event_log(std::string_view text) {
  std::vector<nlohmann::json> events;
  EventParser parser([&](nlohmann::json&& event) { events.push_back(std::move(event)); });
  parser.add(text);
  EventLog log = parser.end();
  log.events = std::move(events);
  return log;
}

Result<EventLog> Reader::events() {
  std::vector<nlohmann::json> events;
  auto log = each_event([&](nlohmann::json&& event) { events.push_back(std::move(event)); });
  if (log.ok()) {
    log->events = std::move(events);
  }
  return log;
}

Result<std::unique_ptr<Reader>> Reader::again(FileSource&) const {
  return Error{ErrorCode::refused, "only a folded session is read by several threads"};
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
  const auto all = records();
  const auto found = std::lower_bound(
      all.begin(), all.end(), sequence,
      [](const Record& record, std::uint64_t wanted) { return record.sequence < wanted; });
  if (found == all.end() || found->sequence != sequence) {
    return std::nullopt;
  }
  return static_cast<std::size_t>(found - all.begin());
}

}  // namespace creel::session
