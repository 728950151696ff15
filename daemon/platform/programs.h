// Runs programs on threads of its own: starting one, and waiting for it, never keeps the control
// thread.
#pragma once

#include <memory>
#include <string>
#include <vector>

#include "daemon/platform/asio_scheduler.h"
#include "daemon/seams/programs.h"
#include "daemon/seams/scheduler.h"

namespace creel::platform {

class PosixPrograms : public Programs {
 public:
  explicit PosixPrograms(Scheduler& scheduler);
  /// What runs still gets a short while (real time), then it is killed.
  ~PosixPrograms() override;
  [[nodiscard]] std::size_t at_once() const override { return slots_.size(); }
  void run(ProgramJob job, std::function<void(ProgramEnd)> done) override;

 private:
  struct Slot {
    bool busy = false;  ///< control thread only
    std::unique_ptr<ThreadWorker> thread;
  };
  Scheduler& scheduler_;
  int ending_ = -1;  ///< eventfd: the daemon ends
  std::vector<Slot> slots_;
};

}  // namespace creel::platform
