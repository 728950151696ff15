#include "drivers/host/crash.h"

#include <signal.h>
#include <sys/syscall.h>
#include <unistd.h>

#include <atomic>
#include <cstdint>

namespace creel::host {
namespace {

#ifdef CREEL_SANITIZED
constexpr bool kSanitized = true;  // it has handlers and stacks of its own
#else
constexpr bool kSanitized = false;
#endif
constexpr std::size_t kStackBytes = std::size_t{32} * 1024;
constexpr int kSignals[] = {SIGSEGV, SIGBUS, SIGILL, SIGFPE, SIGABRT};

std::atomic<int> caught{0};
std::atomic<long> safety_thread{0};
std::atomic<int> wake_fd{-1};

long this_thread() {
  return ::syscall(SYS_gettid);
}

extern "C" void on_crash(int number) {
  if (this_thread() == safety_thread) {  // no one is left to make the device safe
    ::signal(number, SIG_DFL);
    return;  // the fault happens again, now for good
  }
  int none = 0;
  caught.compare_exchange_strong(none, number);
  const std::uint64_t one = 1;
  [[maybe_unused]] const auto written = ::write(wake_fd, &one, sizeof one);
  for (;;) {
    ::pause();
  }
}

}  // namespace

void park_crashing_threads(int wake) {
  safety_thread = this_thread();
  wake_fd = wake;
  if (!kSanitized) {
    struct sigaction action {};
    action.sa_handler = on_crash;
    action.sa_flags = SA_ONSTACK;
    ::sigemptyset(&action.sa_mask);
    for (const int number : kSignals) {
      ::sigaction(number, &action, nullptr);
    }
  }
}

int parked_for() {
  return caught;
}

void die_of(int number) {
  ::signal(number, SIG_DFL);
  ::raise(number);
  ::_exit(128 + number);
}

CrashStack::CrashStack() {
  if (!kSanitized) {
    memory_ = std::make_unique<std::byte[]>(kStackBytes);
    stack_t stack{};
    stack.ss_sp = memory_.get();
    stack.ss_size = kStackBytes;
    ::sigaltstack(&stack, nullptr);
  }
}

CrashStack::~CrashStack() {
  if (!kSanitized) {
    stack_t off{};
    off.ss_flags = SS_DISABLE;
    ::sigaltstack(&off, nullptr);
  }
}

}  // namespace creel::host
