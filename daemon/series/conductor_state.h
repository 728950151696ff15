// What the conductor keeps about a series while it prepares and runs it. Internal to daemon/series.
#pragma once

#include <deque>
#include <memory>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "daemon/series/conductor.h"

namespace creel {

/// How long measured movements took from the order, as sums: a series may have a million.
struct ShutterTimes {
  std::uint64_t count = 0;
  double sum_s = 0, squares_s2 = 0, least_s = 0, most_s = 0;
  void add(double seconds);
  [[nodiscard]] nlohmann::json to_json() const;
};

/// What is measured of a shutter's openings, or of its closings. Delay (order to first movement)
/// and travel only where the device measures them.
struct MovementTimes {
  ShutterTimes to_beam;  ///< from the order until the beam passed, or no longer
  ShutterTimes delay, travel;
};

/// One running session.
struct Conductor::Run {
  Series series;
  std::unique_ptr<store::Session> session;
  std::unique_ptr<Engine> engine;
  std::unique_ptr<FrameQueue> queue;
  store::FrameShape shape;
  bool set_up = false;             ///< see Conductor::start
  std::deque<FrameBlock> arrived;  ///< taken from the ring, not yet asked for by the engine
  bool waiting_for_frame = false;
  TimerId frame_timer = 0;
  TimerId wait_timer = 0;
  std::optional<command::Stream> streaming;  ///< frames go straight to the store
  bool frames_ended = false;                 ///< the detector has no more for this acquisition
  bool draining = false;                     ///< Drain waits for the last frames
  int refused_in_drain = 0;                  ///< times that the disk refused while it waits
  std::uint64_t frames_asked = 0;            ///< of the running acquisition
  bool waiting_for_store = false;            ///< Keep is answered once the queue is short enough
  bool waiting_for_person = false;
  std::vector<std::string> waiting_for_devices;
  TimerId devices_timer = 0;
  std::optional<command::Finish> finish;
  std::optional<Error> acquisition_error;  ///< the detector ended early, before its frame was asked
  FrameBlock taken;                        ///< what Take brought, until Keep
  std::uint64_t acquisition_first = 0;     ///< next frame index that the detector should give
  std::uint64_t durable = 0;
  std::uint64_t most_frames = 1;        ///< of one exposure of the series
  std::optional<store::Headroom> room;  ///< as the store said last; so is the next
  store::Sealed sealed;
  nlohmann::json summary = nlohmann::json::object();
  MovementTimes openings, closings;  ///< of the dose shutter, since this daemon took up the series
};

/// What is gathered before a session can be laid out.
struct Conductor::Preparation {
  Series series;
  Reply done;
  std::vector<std::string> devices;
  nlohmann::json described = nlohmann::json::object();
  bool resuming = false;
  MakeSession unkept;           ///< of a set-up
  std::optional<Ending> ended;  ///< only to be closed
  std::string session_name;
  std::int64_t start_utc_ns = 0;  ///< of the session
};

/// A session that was laid out or taken up.
struct Conductor::Opened {
  std::unique_ptr<store::Session> session;
  std::optional<store::Headroom> room;
  Earlier earlier;  ///< of a session that is gone on with
};

}  // namespace creel
