// Names and binary layout of a session on disk. This page and DEVELOPERS.md "The session on disk"
// are the format; everything else follows from them.
//
// While running:  DIR/NAME/whole.h5      static metadata, virtual data sets over the pieces; never
// rewritten
//                 DIR/NAME/piece-K.h5    K = 0, 1, ... without gaps; laid out and closed
//                 beforehand, then
//                                        only overwritten in place: frames, record, n_valid.
//                                        Once full and durable it is sealed: replaced, by rename,
//                                        with a packed one of the same data sets, frames in chunks
//                                        and a table of them (chunk_table.h). n_valid then is the
//                                        number of places
//                 DIR/NAME/events.log    one JSON object a line, see below
// At the end:     DIR/NAME.h5            everything in one file, made by rename
//
// A frame exists if and only if its record has the magic and both checksums match. Where two places
// hold the same sequence number the later one (higher piece, then higher index) counts: after a
// disk error the store writes the frames that were not durable into a new piece, and never touches
// the failed one again.
#pragma once

#include <cstdint>
#include <limits>
#include <string>
#include <string_view>
#include <type_traits>

namespace creel::session {

constexpr int kFormat = 0;  ///< grows when a reader must change; 0 = not frozen yet

constexpr const char* kWholeName = "whole.h5";
constexpr const char* kEventsName = "events.log";
std::string piece_name(std::uint64_t k);  ///< "piece-K.h5"

/// `name` with every character that NeXus does not allow in a name replaced by '_'; at most 63
/// long. What a JSON member is called in the file.
std::string nexus_name(std::string_view name);

// Data sets in a piece.
constexpr const char* kPieceFrames = "/frames";  ///< [capacity][rows][columns], contiguous;
                                                 ///< lists of events [capacity][1][most_events]
constexpr const char* kPieceRecord = "/record";  ///< [capacity] of Record, contiguous
constexpr const char* kPieceValid =
    "/n_valid";  ///< uint64: this many frames from the first are durable

/// Flags of a record.
enum RecordFlag : std::uint32_t {
  kSaturated =
      1U << 0,  ///< some pixel at the detector's saturation value, or no place for more events
  kIncomplete = 1U << 1,  ///< the detector lost part of this frame; the bytes are kept as they came
  kTouchedByHold = 1U << 2,  ///< taken while a guard was about to hold: leave it out of sums
  kBroken = 1U << 3,         ///< its exposure failed; kept as evidence, repeated later
  kGapBefore =
      1U << 4,  ///< the detector lost frames just before this one; `lost_before` counts them
  kMoreToCome = 1U << 6,  ///< not the last frame of its exposure
  kShutterNotMeasured =
      1U << 5,  ///< opened/closed times are bounds from commands, not measurements
};

/// One frame's record: 192 bytes, little-endian, no padding. All times are world time in ns.
struct Record {
  static constexpr std::uint32_t kMagic = 0x31524643;  // "CFR1"

  std::uint32_t magic = 0;
  std::uint32_t record_crc = 0;  ///< CRC-32C of this record with record_crc = 0
  std::uint64_t sequence =
      0;  ///< order in the session, 0..; a number is missing only where a frame
          ///< was lost unacknowledged in a power cut and a later one was not
  std::uint64_t exposure = 0;  ///< index of the planned exposure (protocol/series Plan)
  std::uint64_t attempt = 0;   ///< 0 at first, +1 for each repetition of that exposure
  std::uint64_t frame_bytes = 0;
  std::uint32_t frame_crc = 0;       ///< CRC-32C of the frame's bytes
  std::uint32_t flags = 0;           ///< RecordFlag
  std::uint32_t block = 0;           ///< index in the series' blocks
  std::uint8_t kind = 0;             ///< ExposureKind
  std::uint8_t where = 0;            ///< Where
  std::uint16_t area = 0xFFFF;       ///< index in the series' areas; 0xFFFF = none
  std::int64_t start_ns = 0;         ///< integration began
  std::int64_t exposure_set_ns = 0;  ///< asked
  std::int64_t exposure_ns = 0;      ///< as the detector says
  std::int64_t opened_ns = 0;        ///< beam on the specimen from here (0: shutter stayed closed)
  std::int64_t closed_ns = 0;        ///< to here
  double dose = 0;                   ///< charged for this exposure, 1/angstrom^2
  double dose_errors = 0;            ///< one standard deviation
  double area_dose = 0;              ///< ledger total of the area after this frame, 1/angstrom^2
  double vary_value = 0;             ///< NaN when the block varies nothing
  std::uint64_t device_index = 0;    ///< the detector's own count
  std::uint64_t device_stamp = 0;
  std::uint64_t lost_before = 0;  ///< frames the detector lost just before this one
  std::int64_t utc_ns = 0;  ///< UTC of start_ns, through the map recorded at the session's start
  /// Energy loss at which the first channel begins, as set, eV; NaN when unknown.
  double first_channel_ev = std::numeric_limits<double>::quiet_NaN();
  std::uint64_t events = 0;       ///< Pixel::event: places of the frame that hold one, else 0
  std::uint64_t events_lost = 0;  ///< electrons seen that had no place; kSaturated is set, too
  std::uint8_t reserved[8] = {};
};
static_assert(sizeof(Record) == 192);
static_assert(std::is_trivially_copyable_v<Record>);

/// Fills in record_crc.
void seal(Record& record);
/// Whether magic and record_crc hold.
bool sealed(const Record& record);

// events.log: each line is
//   CRC32C-in-8-hex SPACE JSON-object LF
// with the CRC over the JSON text. A torn last line is the end of the log; any other bad line is
// reported. The store adds events of its own: {"event": "piece", "piece": K} before piece K takes
// its first frame, "piece_failed", and "never_acknowledged" with first_sequence and last_sequence.
std::string event_line(const std::string& json_text);

}  // namespace creel::session
