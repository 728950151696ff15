#include "daemon/platform/life_line.h"

#include <fcntl.h>
#include <poll.h>
#include <pthread.h>
#include <sched.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstring>
#include <future>

namespace creel::platform {

namespace {

using host::Descriptor;

constexpr int kFirst = 16;  // above what a host is given

Result<std::array<Descriptor, 2>> make_pipe() {
  std::array<int, 2> ends{-1, -1};
  if (::pipe2(ends.data(), O_CLOEXEC) != 0) {
    return Error{ErrorCode::storage_failed, std::string("pipe: ") + std::strerror(errno)};
  }
  const std::array<Descriptor, 2> low{Descriptor(ends[0]), Descriptor(ends[1])};
  std::array<Descriptor, 2> made{Descriptor(::fcntl(ends[0], F_DUPFD_CLOEXEC, kFirst)),
                                 Descriptor(::fcntl(ends[1], F_DUPFD_CLOEXEC, kFirst))};
  if (!made[0] || !made[1]) {
    return Error{ErrorCode::storage_failed, std::string("pipe: ") + std::strerror(errno)};
  }
  return made;
}

// Standard error stays: that is where a sanitizer or the C library complains.
void close_all_but(int one, int other) {
  const auto low = static_cast<unsigned>(std::min(one, other));
  const auto high = static_cast<unsigned>(std::max(one, other));
  (void)::close_range(STDERR_FILENO + 1, low - 1, 0);
  if (high > low + 1) {
    (void)::close_range(low + 1, high - 1, 0);
  }
  (void)::close_range(high + 1, ~0U, 0);
}

struct Began {
  bool own_descriptors = false;
  bool prompt = false;
};

Began settle_in(int writing, int ended) {
  Began began;
  began.own_descriptors = ::unshare(CLONE_FILES) == 0;
  if (began.own_descriptors) {
    close_all_but(writing, ended);
  }
  sched_param real_time{};
  real_time.sched_priority = 1;
  began.prompt = ::pthread_setschedparam(::pthread_self(), SCHED_FIFO, &real_time) == 0;
  return began;
}

void wait_for_hang_up(int ended) {
  pollfd waiting{ended, 0, 0};
  while (::poll(&waiting, 1, -1) < 0 && errno == EINTR) {
  }
}

}  // namespace

Result<std::unique_ptr<LifeLine>> LifeLine::make() {
  auto line = make_pipe();
  auto end = make_pipe();
  if (!line.ok() || !end.ok()) {
    return (line.ok() ? end : line).error();
  }
  std::unique_ptr<LifeLine> made(new LifeLine);
  made->reading_ = std::move((*line)[0]);
  made->ending_ = std::move((*end)[1]);
  Descriptor writing = std::move((*line)[1]), ended = std::move((*end)[0]);
  std::promise<Began> promise;
  made->thread_ = std::thread([&promise, held = writing.get(), watched = ended.get()] {
    promise.set_value(settle_in(held, watched));
    wait_for_hang_up(watched);
  });
  const Began began = promise.get_future().get();
  made->prompt_ = began.prompt;
  if (!began.own_descriptors) {  // then they are the thread's as much as everyone's
    made->writing_ = std::move(writing);
    made->ended_ = std::move(ended);
  }
  return made;
}

LifeLine::~LifeLine() {
  ending_ = Descriptor();
  thread_.join();
}

}  // namespace creel::platform
