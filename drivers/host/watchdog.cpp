#include "drivers/host/watchdog.h"

#include <sys/socket.h>
#include <unistd.h>

#include <thread>

namespace creel::host {

Watchdog::Watchdog(int socket) : socket_(socket) {
  std::thread([this] { watch(); }).detach();
}

void Watchdog::arm(std::chrono::milliseconds limit, const std::string& last_words, int exit_code) {
  const std::lock_guard lock(mutex_);
  deadline_ = std::chrono::steady_clock::now() + limit;
  last_words_ = &last_words;
  exit_code_ = exit_code;
  changed_.notify_one();
}

void Watchdog::disarm() {
  const std::lock_guard lock(mutex_);
  last_words_ = nullptr;
}

void Watchdog::watch() {
  std::unique_lock lock(mutex_);
  for (;;) {
    if (last_words_ == nullptr) {
      changed_.wait(lock);
    } else if (std::chrono::steady_clock::now() >= deadline_) {
      ::send(socket_, last_words_->data(), last_words_->size(), MSG_DONTWAIT | MSG_NOSIGNAL);
      ::_exit(exit_code_);
    } else {
      changed_.wait_until(lock, deadline_);
    }
  }
}

}  // namespace creel::host
