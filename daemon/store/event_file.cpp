#include "daemon/store/event_file.h"

#include "protocol/session/layout.h"
#include "protocol/session/reader.h"

namespace creel::store {

Result<std::unique_ptr<EventFile>> EventFile::open(Disk& disk, const std::string& folder) {
  auto file = disk.open(folder + "/" + session::kEventsName, OpenMode::create_or_open);
  if (!file.ok()) {
    return file.error();
  }
  CREEL_TRY((*file)->lock_exclusive());
  auto text = read_all(disk, folder + "/" + session::kEventsName);
  if (!text.ok()) {
    return text.error();
  }
  const auto end = session::parse_event_log(*text).good_bytes;
  return std::unique_ptr<EventFile>(new EventFile(std::move(file).value(), end));
}

Result<void> EventFile::append(const nlohmann::json& event) {
  const auto line =
      session::event_line(event.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace));
  const std::lock_guard lock(mutex_);
  if (tail_dirty_) {
    CREEL_TRY(file_->resize(end_));
  }
  tail_dirty_ = true;
  // Written anew from its first byte after a failure, so no sync ever vouches for bytes of a failed
  // one.
  CREEL_TRY(file_->write_at(end_, std::as_bytes(std::span(line))));
  CREEL_TRY(file_->sync());
  end_ += line.size();
  tail_dirty_ = false;
  return {};
}

Result<void> EventFile::clear() {
  const std::lock_guard lock(mutex_);
  end_ = 0;
  CREEL_TRY(file_->resize(0));
  return file_->sync();
}

}  // namespace creel::store
