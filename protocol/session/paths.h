// Where the reader looks in whole.h5 and NAME.h5. Everything else there is for other programs.
#pragma once

namespace creel::session {

/// JSON text: format, name, shape, codec, frames_planned, start, devices, software,
/// area_dose_before, and, in whole.h5, pieces. Attribute `checksum`: CRC-32C, 8 hexadecimal digits;
/// also on the next three.
constexpr const char* kPathSession = "/entry/creel/session";
constexpr const char* kPathSeries = "/entry/note_series/data";
constexpr const char* kPathRig = "/entry/note_rig/data";
/// JSON text; NAME.h5 only.
constexpr const char* kPathSummary = "/entry/creel/summary_text";
/// The text of events.log, whose lines have their own checksums; NAME.h5 only.
constexpr const char* kPathEvents = "/entry/creel/events/data";
/// Record a frame; kPathFrames: hard link to the frames. In whole.h5 both are virtual.
constexpr const char* kPathRecord = "/entry/creel/record";
constexpr const char* kPathFrames = "/entry/measurement/instrument/detector/data";

}  // namespace creel::session
