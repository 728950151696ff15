// What the daemon and creel-host say to each other over their SOCK_SEQPACKET control socket.
//
// One datagram is one JSON object of at most kMaxMessageBytes; file descriptors ride along where
// stated. The daemon calls, the host answers with the same id; calls on one host are answered in
// order, except "ping" and "renew", which the host's safety thread answers at once, even while a
// driver call hangs. The daemon closing its end is an order: the host makes its device safe and
// ends.
//
//   call            arguments -> result
//   "open"          plugin (path), kind, device (name), config (object), sandbox (object, see
//   rig.h),
//                   fds: [rig memory] -> {plugin, version, describe: {...}, settings: {...}}. First
//                   call, once.
//   "settings"      -> the settings object as read back
//   "set"           name, value -> {}
//   "arm"           frames, exposure_ns -> {exposure_ns, readout_ns, rows, columns, pixel
//   ("u8".."f32"),
//                   frames_per_block}
//   "ring"          slots, payload_bytes, fds: [memory, ready eventfd, freed eventfd] -> {}
//                   After the first arm, and again whenever the shape changed. "ready" wakes the
//                   daemon, "freed" wakes the host.
//   "start"         -> {started_ns}; frames then come through the ring
//   "stop"          -> {}
//   "open_shutter"  open_for_ns (real time) -> shutter state
//   "renew"         open_for_ns -> {}
//   "close_shutter" -> shutter state
//   "state"         -> shutter state {commanded, measured ("closed" "open" "moving" "not
//   measured"),
//                   opened_ns, closed_ns; of a device that measures them opening_began_ns,
//                   opening_ended_ns, closing_began_ns, closing_ended_ns}
//   "read"          -> {readings: [{value, uncertainty|null, taken_ns, valid}]} in describe()'s
//   order "move"          axis (index), position -> {position} "make_safe"     -> {} (answered by
//   the safety thread) "ping"          -> {busy: call name or "", busy_ns, lease_left_ns}
//
//   answer          {"id": n, "ok": {...}} or {"id": n, "error": {"code": error_name, "text":
//   sentence}}
//
//   event           {"event": "log", "level": "info", "text": ...}
//                   {"event": "safe", "why": "lease ended" | "signal" | ..., "state": shutter state
//                   or null}
//                   {"event": "frames_ended", "error": {...} or null}  the acquisition is over: all
//                   frames are in the ring, or the driver failed
#pragma once

#include <cstddef>
#include <cstdint>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <string_view>

#include "protocol/base/result.h"

namespace creel::host {

constexpr std::size_t kMaxMessageBytes = std::size_t{64} * 1024;
/// File descriptors that the launcher leaves open in the host.
constexpr int kControlFd = 3;
/// Where a host may find the reading end of a pipe that hangs up when the daemon is gone, sooner
/// than the socket on a busy computer. Not every launcher gives one.
constexpr int kLifeLineFd = 4;

/// A message that passed its bounds: an answer (id, ok or error) or an event.
struct Answer {
  std::uint64_t id = 0;
  Result<nlohmann::json> result;
};
struct Event {
  std::string name;
  nlohmann::json body;
};
struct FromHost {
  std::optional<Answer> answer;
  std::optional<Event> event;
};
/// Reads one datagram from a host: untrusted. invalid_request says what is wrong with it.
Result<FromHost> parse_from_host(std::string_view datagram);

/// A call as the host sees it: {"id": n, "call": name, ...arguments}.
struct Call {
  std::uint64_t id = 0;
  std::string name;
  nlohmann::json arguments;  ///< the whole object
};
Result<Call> parse_call(std::string_view datagram);

std::string make_call(std::uint64_t id, std::string_view name, nlohmann::json arguments);
std::string make_answer(std::uint64_t id, const nlohmann::json& ok);
std::string make_answer(std::uint64_t id, const Error& error);
std::string make_event(std::string_view name, nlohmann::json body);

}  // namespace creel::host
