// One kind of job many times over, on several threads.
#pragma once

#include <cstddef>
#include <functional>
#include <span>

#include "daemon/seams/scheduler.h"

namespace creel::store {

/// Runs job(0) ... job(count - 1), each once, on `workers` and on the calling thread; returns when
/// all are done. A worker that is busy with something else is not waited for: the others do its
/// share. Without workers the calling thread does all, in order.
void on_workers(std::span<Worker* const> workers, std::size_t count,
                const std::function<void(std::size_t)>& job);

}  // namespace creel::store
