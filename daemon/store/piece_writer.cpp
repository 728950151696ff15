#include "daemon/store/piece_writer.h"

#include <algorithm>
#include <utility>

namespace creel::store {

namespace {

Result<std::unique_ptr<Piece>> make_piece(Disk& disk, const std::string& folder,
                                          std::uint64_t number, const PieceImage& image,
                                          std::uint64_t frame_bytes,
                                          const PieceWriter::Announce& announce) {
  auto made = Piece::create(disk, folder, number, image, frame_bytes);
  if (made.ok()) {
    CREEL_TRY(announce(number));
  }
  return made;
}

}  // namespace

PieceWriter::PieceWriter(Disk& disk, std::string folder, PieceImage image,
                         std::uint64_t frame_bytes, Announce announce, Worker* prepare)
    : disk_(&disk),
      folder_(std::move(folder)),
      image_(std::make_shared<const PieceImage>(std::move(image))),
      frame_bytes_(frame_bytes),
      announce_(std::move(announce)),
      prepare_(prepare) {}

void PieceWriter::take_up(std::uint64_t first_new, std::unique_ptr<Piece> current,
                          std::unique_ptr<Piece> next) {
  pieces_ = first_new;
  current_ = std::move(current);
  next_ = std::move(next);
}

Result<void> PieceWriter::write(std::span<const Frame> frames) {
  while (!frames.empty()) {
    if (!current_ || current_->full()) {
      CREEL_TRY(next_piece());
    }
    const auto now = frames.first(std::min<std::size_t>(frames.size(), current_->room()));
    unsynced_ = true;
    CREEL_TRY(current_->append(now));
    frames = frames.subspan(now.size());
  }
  return {};
}

Result<void> PieceWriter::sync() {
  for (auto& piece : full_) {
    CREEL_TRY(piece->sync());
  }
  return current_ && unsynced_ ? current_->sync() : Result<void>();
}

std::optional<std::uint64_t> PieceWriter::abandon() {
  full_.clear();
  const auto number = current_ ? std::optional(current_->number()) : std::nullopt;
  current_.reset();
  unsynced_ = false;
  return number;
}

std::optional<std::uint64_t> PieceWriter::settle() {
  std::optional<std::uint64_t> refused;
  for (auto& piece : full_) {
    (void)piece->set_valid(piece->used());
    filled_.push_back(piece->number());
  }
  full_.clear();
  if (current_ && unsynced_) {
    if (!current_->set_valid(current_->used()).ok()) {
      refused = current_->number();
      current_.reset();
    } else if (current_->full()) {
      filled_.push_back(current_->number());
      current_.reset();
    }
  }
  unsynced_ = false;
  return refused;
}

void PieceWriter::prepare(std::uint64_t frames_to_come) {
  const auto left = current_ ? current_->room() : 0;
  const bool wanted = 2 * left <= image_->layout.capacity && left < frames_to_come;
  if (!wanted || next_ || preparing_.valid()) {
    return;
  }
  auto promise = std::make_shared<std::promise<Made>>();
  preparing_ = promise->get_future();
  const auto job = [promise, disk = disk_, folder = folder_, number = pieces_, image = image_,
                    bytes = frame_bytes_, announce = announce_] {
    promise->set_value(make_piece(*disk, folder, number, *image, bytes, announce));
  };
  if (prepare_ != nullptr) {
    prepare_->run(job);
  } else {
    job();
    keep_prepared(preparing_.get());
  }
}

void PieceWriter::keep_prepared(Made made) {
  if (made.ok()) {
    next_ = std::move(made).value();
    pieces_ += 1;
  }
}

void PieceWriter::stop_preparing() {
  if (preparing_.valid()) {
    keep_prepared(preparing_.get());
  }
}

void PieceWriter::close() {
  stop_preparing();
  full_.clear();
  current_.reset();
  next_.reset();
  announce_ = nullptr;
}

Result<void> PieceWriter::next_piece() {
  stop_preparing();
  if (!next_) {
    auto made = make_piece(*disk_, folder_, pieces_, *image_, frame_bytes_, announce_);
    if (!made.ok()) {
      return made.error();
    }
    keep_prepared(std::move(made));
  }
  if (current_ && unsynced_) {
    full_.push_back(std::move(current_));
  }
  current_ = std::move(next_);
  return {};
}

std::uint64_t PieceWriter::room() const {
  return (current_ ? current_->room() : 0) + (next_ ? image_->layout.capacity : 0);
}

}  // namespace creel::store
