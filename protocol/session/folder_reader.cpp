#include "protocol/session/folder_reader.h"

#include <algorithm>
#include <charconv>
#include <cstring>
#include <map>
#include <numeric>
#include <utility>

#include "protocol/base/crc32c.h"
#include "protocol/session/documents.h"

namespace creel::session {

namespace {

// The number in "piece-K.h5"; nothing for any other name.
std::optional<std::uint64_t> piece_number(std::string_view name) {
  constexpr std::string_view kBegin = "piece-";
  constexpr std::string_view kEnd = ".h5";
  if (!name.starts_with(kBegin) || !name.ends_with(kEnd) ||
      name.size() <= kBegin.size() + kEnd.size()) {
    return std::nullopt;
  }
  const auto digits = name.substr(kBegin.size(), name.size() - kBegin.size() - kEnd.size());
  std::uint64_t number = 0;
  const auto [end, error] = std::from_chars(digits.data(), digits.data() + digits.size(), number);
  const bool whole = error == std::errc() && end == digits.data() + digits.size();
  return whole && piece_name(number) == name ? std::optional(number) : std::nullopt;
}

bool blank(const Record& record) {
  const auto bytes = std::as_bytes(std::span(&record, 1));
  return std::all_of(bytes.begin(), bytes.end(), [](std::byte b) { return b == std::byte{0}; });
}

}  // namespace

Result<std::unique_ptr<FolderReader>> FolderReader::open(FileSource& source,
                                                         const std::string& folder) {
  const auto path = folder + "/" + kWholeName;
  if (!source.exists(path)) {
    return Error{ErrorCode::invalid_request, path + ": there is no session here"};
  }
  Hdf5Files files(source);
  ReadDocuments read;
  CREEL_TRY(with_hdf5("reading " + path, ErrorCode::corrupt, &files, [&] {
    const H5::H5File file(path, H5F_ACC_RDONLY, H5::FileCreatPropList::DEFAULT, files.access(true));
    read = read_documents(file);
    if (!read.layout) {
      throw Hdf5Fault("it does not say how the pieces are laid out");
    }
  }));
  std::unique_ptr<FolderReader> reader(new FolderReader(source, folder));
  reader->documents_ = std::move(read.documents);
  reader->layout_ = *read.layout;
  reader->faults_ = std::move(read.faults);
  CREEL_TRY(reader->refresh());
  return reader;
}

Result<void> FolderReader::refresh() {
  auto numbers = piece_numbers();
  if (!numbers.ok()) {
    return numbers.error();
  }
  std::erase_if(faults_, [](const Fault& fault) { return fault.kind != FaultKind::document; });
  pieces_.clear();
  unfinished_ = 0;
  open_.reset();
  report_missing(*numbers);
  records_.clear();
  places_.clear();
  for (const auto number : *numbers) {
    scan_piece(number);
  }
  put_in_order();
  return {};
}

Result<std::vector<std::uint64_t>> FolderReader::piece_numbers() {
  auto names = source_->list(folder_);
  if (!names.ok()) {
    return names.error();
  }
  std::vector<std::uint64_t> numbers;
  for (const auto& name : *names) {
    if (const auto number = piece_number(name)) {
      numbers.push_back(*number);
    }
  }
  std::sort(numbers.begin(), numbers.end());
  return numbers;
}

// Pieces are numbered without gaps, and the store announces each in events.log before it writes to
// it.
void FolderReader::report_missing(const std::vector<std::uint64_t>& numbers) {
  std::uint64_t wanted = 1;  // piece 0 is made before whole.h5
  const auto take = [&wanted](const nlohmann::json& event) {
    const auto piece = event.find("piece");
    if (event.value("event", nlohmann::json()) == "piece" && piece != event.end() &&
        piece->is_number_unsigned()) {
      wanted = std::max(wanted, piece->get<std::uint64_t>() + 1);
    }
  };
  (void)each_event(take, {"\"piece\""});
  const auto report = [&](std::uint64_t first, std::uint64_t end) {
    if (first < end) {
      const auto last = piece_name(end - 1);
      faults_.push_back({FaultKind::missing_piece,
                         first + 1 == end ? last : piece_name(first) + " to " + last,
                         "is missing, and with it the frames it held"});
    }
  };
  std::uint64_t next = 0;
  for (const auto number : numbers) {
    report(next, number);
    next = number + 1;
  }
  report(next, wanted);
}

void FolderReader::fault(FaultKind kind, std::uint64_t piece, const std::string& detail,
                         const std::string& sentence) {
  faults_.push_back({kind, piece_name(piece) + detail, sentence});
}

void FolderReader::scan_piece(std::uint64_t number) {
  PieceState state;
  state.number = number;
  auto piece = open_piece(number);
  if (!piece.ok()) {
    fault(FaultKind::missing_piece, number, "", "cannot be opened: " + piece.error().text);
    state.clean = false;
  } else if (piece->lost()) {
    fault(FaultKind::missing_piece, number, "",
          "both copies of its chunk table are damaged: Creel cannot find the " +
              std::to_string(layout_.capacity) +
              " frames it holds. Another HDF5 program may still read them");
    state.clean = false;
    state.sealed = true;
  } else {
    state.sealed = piece->sealed();
    check_structure(*piece, state);
    read_valid(*piece, state);
    scan_records(*piece, state);
  }
  pieces_.push_back(state);
}

Result<PieceFile> FolderReader::open_piece(std::uint64_t number) {
  return PieceFile::open(*source_, folder_ + "/" + piece_name(number), layout_, documents_.shape);
}

void FolderReader::check_structure(PieceFile& piece, PieceState& state) {
  if (piece.half_lost()) {
    state.clean = false;
    fault(FaultKind::structure, state.number, "",
          "one of the two copies of its chunk table is damaged; the other one is good, and no "
          "frame is lost");
  }
  if (piece.bytes() < piece.full_bytes()) {
    state.clean = false;
    state.truncated = true;
    fault(FaultKind::truncated_piece, state.number, "",
          "has " + std::to_string(piece.bytes()) + " bytes instead of " +
              std::to_string(piece.full_bytes()) + ": the frames in the rest are gone");
  } else if (!piece.structure_intact()) {
    state.clean = false;
    fault(FaultKind::structure, state.number, "",
          "its HDF5 structure is damaged: other programs may not open it. Creel reads its frames "
          "all the same");
  }
}

void FolderReader::read_valid(PieceFile& piece, PieceState& state) {
  const auto valid = piece.valid();
  if (!valid) {
    state.clean = false;
    fault(FaultKind::record, state.number, "",
          "n_valid is more than the " + std::to_string(layout_.capacity) +
              " places there are; every frame is checked instead");
  }
  state.valid = valid.value_or(0);
}

void FolderReader::scan_records(PieceFile& piece, PieceState& state) {
  std::vector<Record> batch(
      static_cast<std::size_t>(std::min<std::uint64_t>(layout_.capacity, 1024)));
  for (std::uint64_t first = 0; first < layout_.capacity; first += batch.size()) {
    const auto count =
        static_cast<std::size_t>(std::min<std::uint64_t>(batch.size(), layout_.capacity - first));
    const auto part = std::span(batch).first(count);
    if (!piece.read_records(first, part).ok()) {
      state.clean = false;
      fault(FaultKind::record, state.number, " place " + std::to_string(first),
            "the records from here on cannot be read");
      return;
    }
    for (std::size_t i = 0; i < count; ++i) {
      if (judge(piece, state, first + i, part[i])) {
        records_.push_back(part[i]);
        places_.push_back({state.number, first + i});
      }
    }
  }
}

// Whether the place holds a frame; otherwise says what is wrong, if anything is.
bool FolderReader::judge(PieceFile& piece, PieceState& state, std::uint64_t index,
                         const Record& record) {
  const bool good = sealed(record) && record.frame_bytes == documents_.shape.bytes();
  const bool proven = index < state.valid || (state.truncated && !blank(record));
  if (good || !blank(record)) {
    state.used = index + 1;
  }
  if (good && (proven || frame_intact(piece, index, record))) {
    return true;
  }
  if (proven) {
    state.used = index + 1;
    state.clean = false;
    fault(FaultKind::record, state.number, " place " + std::to_string(index),
          "held an acknowledged frame, and its record is now " +
              std::string(blank(record) ? "empty" : "damaged"));
  } else if (!blank(record)) {
    state.clean = false;
    unfinished_ += 1;
  }
  return false;
}

bool FolderReader::frame_intact(PieceFile& piece, std::uint64_t index, const Record& record) {
  std::vector<std::byte> frame(documents_.shape.bytes());
  return piece.read_frame(index, frame).ok() && crc32c(frame) == record.frame_crc;
}

// In order of sequence. Where a frame is there twice the later place counts: the store moved it
// there. Nearly always they are in order as they were found.
void FolderReader::put_in_order() {
  std::map<std::uint64_t, std::uint64_t> intact;
  for (const auto& place : places_) {
    intact[place.piece] += 1;
  }
  for (auto& state : pieces_) {
    state.clean = state.clean && intact[state.number] == state.used;
  }
  moved_ = 0;
  const auto later = [](const Record& a, const Record& b) { return a.sequence >= b.sequence; };
  if (std::adjacent_find(records_.begin(), records_.end(), later) == records_.end()) {
    return;
  }
  std::vector<std::size_t> order(records_.size());
  std::iota(order.begin(), order.end(), 0U);
  std::stable_sort(order.begin(), order.end(), [this](std::size_t a, std::size_t b) {
    return records_[a].sequence < records_[b].sequence;
  });
  const auto records = std::exchange(records_, {});
  const auto places = std::exchange(places_, {});
  for (const std::size_t i : order) {
    if (!records_.empty() && records_.back().sequence == records[i].sequence) {
      records_.pop_back();
      places_.pop_back();
      moved_ += 1;
    }
    records_.push_back(records[i]);
    places_.push_back(places[i]);
  }
}

Result<void> FolderReader::read_frame(std::size_t index, std::span<std::byte> into) {
  CREEL_INVARIANT(index < records_.size() && into.size() == documents_.shape.bytes(),
                  "the frame asked for exists and fits");
  auto piece = piece_at(places_[index].piece);
  if (!piece.ok()) {
    return piece.error();
  }
  CREEL_TRY((*piece)->read_frame(places_[index].index, into));
  if (crc32c(into) != records_[index].frame_crc) {
    return Error{ErrorCode::corrupt, place(index) + ": the frame does not match its checksum"};
  }
  return {};
}

// The piece that was read last stays open. One that is opened anew may have been sealed since.
Result<PieceFile*> FolderReader::piece_at(std::uint64_t number) {
  if (!open_ || open_->number != number) {
    open_.reset();
    auto piece = open_piece(number);
    if (!piece.ok() || piece->lost()) {
      return piece.ok() ? Error{ErrorCode::corrupt,
                                folder_ + "/" + piece_name(number) + ": its chunk table is damaged"}
                        : piece.error();
    }
    open_ = OpenPiece{number, std::move(piece).value()};
  }
  return &open_->piece;
}

Result<bool> FolderReader::read_chunk(std::size_t first, std::size_t count, Codec codec,
                                      std::vector<std::byte>& chunk) {
  const auto begin = places_[first];
  for (std::size_t i = 0; i < count; ++i) {
    if (places_[first + i] != Place{begin.piece, begin.index + i}) {
      return false;
    }
  }
  auto piece = piece_at(begin.piece);
  return piece.ok() ? (*piece)->read_chunk(begin.index, count, codec, chunk) : piece.error();
}

Result<EventLog> FolderReader::each_event(const EventParser::Take& take,
                                          const EventParser::Words& words) {
  const auto path = folder_ + "/" + kEventsName;
  auto file = source_->open(path);
  if (!file.ok()) {
    return file.error();
  }
  auto size = (*file)->size();
  if (!size.ok() || *size > kLongestLog) {
    return size.ok() ? Error{ErrorCode::corrupt, path + ": is larger than 1 GiB"} : size.error();
  }
  EventParser parser(take, words);
  std::string part(std::size_t{1} << 20U, '\0');
  for (std::uint64_t at = 0; at < *size;) {
    const auto want = static_cast<std::size_t>(std::min<std::uint64_t>(part.size(), *size - at));
    auto got = (*file)->read_at(at, std::as_writable_bytes(std::span(part).first(want)));
    if (!got.ok()) {
      return got.error();
    }
    if (*got == 0) {
      break;  // it has become shorter
    }
    parser.add(std::string_view(part).substr(0, *got));
    at += *got;
  }
  return parser.end();
}

bool FolderReader::proven(std::size_t index) const {
  const auto at = places_[index];
  const auto state = std::find_if(pieces_.begin(), pieces_.end(), [&](const PieceState& piece) {
    return piece.number == at.piece;
  });
  return state != pieces_.end() && at.index < state->valid;
}

std::string FolderReader::place(std::size_t index) const {
  const auto at = places_[index];
  return piece_name(at.piece) + " place " + std::to_string(at.index) + " (frame " +
         std::to_string(records_[index].sequence) + ")";
}

}  // namespace creel::session
