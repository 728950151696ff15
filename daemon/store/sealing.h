// Seals the full pieces of a running session in the background.
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "daemon/seams/disk.h"
#include "daemon/seams/scheduler.h"
#include "daemon/store/seal.h"

namespace creel::store {

/// One thread uses it (the store's); the work is done on the workers, one piece each at a time. A
/// piece that cannot be sealed stays as it is and is folded all the same.
class Sealing {
 public:
  struct Progress {
    std::uint64_t sealed = 0;  ///< of those that were handed over
    std::uint64_t total = 0;   ///< handed over
  };

  /// `disk` and the workers must outlive it. Without workers, or with Codec::none, it does nothing.
  Sealing(Disk& disk, SealPlan plan, std::vector<Worker*> workers);
  /// As stop().
  ~Sealing();
  Sealing(const Sealing&) = delete;
  Sealing& operator=(const Sealing&) = delete;

  /// Piece `number` is full, all its frames are durable, and the store never writes to it again.
  /// One that is sealed already may be handed over.
  void piece_full(std::uint64_t number);
  /// Sentences for a person since the last call: why a piece could not be sealed. While one after
  /// the other fails only the first is told.
  std::vector<std::string> news();
  [[nodiscard]] Progress progress() const;
  /// While true the workers pause at their next chunk: the disk and the processor are the frames'.
  /// Any thread.
  void give_way(bool give);
  /// Returns when everything handed over is sealed or has failed; not while it gives way. Not on a
  /// worker.
  void wait();
  /// Begins no further piece, breaks off those in work at their next chunk and returns when no
  /// worker has one any more. Not on a worker.
  void stop();

 private:
  struct State;
  std::shared_ptr<State> state_;
};

}  // namespace creel::store
