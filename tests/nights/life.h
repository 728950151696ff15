// One life of the daemon on a fake clock, disk and rig: the production supervisor, ledger and
// conductor as creeld puts them together. Everything in it goes when it is killed.
#pragma once

#include <memory>

#include "daemon/ledger/ledger.h"
#include "daemon/series/conductor.h"
#include "daemon/supervisor/supervisor.h"
#include "tests/fakes/rig.h"
#include "tests/fakes/timeline.h"

namespace creel::nights {

struct Life {
  /// `owner` is of this life alone: what it asked of the timeline goes with it.
  Life(fakes::Timeline& timeline, fakes::FakeRig& rig, fakes::Timeline::Owner owner);
  /// Over this ledger; devices are heard from now on. The supervisor is not started yet.
  void put_together(const Rig& rig, Disk& disk, std::unique_ptr<Ledger> over,
                    const Conductor::Options& options);

  fakes::Timeline& timeline;
  fakes::TimelineScheduler scheduler;
  fakes::TimelineWorker worker;
  fakes::SeededRandom random;
  std::unique_ptr<Launcher> launcher;
  std::unique_ptr<Ledger> ledger;
  std::unique_ptr<Supervisor> supervisor;
  std::unique_ptr<Conductor> conductor;
};

/// After a life has ended: until its hosts have closed their shutters. Whether none let beam
/// through.
bool hosts_close(fakes::Timeline& timeline, const fakes::FakeRig& rig);

}  // namespace creel::nights
