#include "daemon/alerts/hook.h"

#include <algorithm>
#include <utility>

namespace creel {

namespace {

/// One line without control characters: it comes from somebody else's program.
std::string in_one_line(std::string text) {
  std::replace_if(
      text.begin(), text.end(),
      [](char c) { return static_cast<unsigned char>(c) < 0x20 || c == 0x7F; }, ' ');
  text.erase(text.find_last_not_of(' ') + 1);
  return text;
}

/// Environment variables end at a NUL.
std::string without_nul(std::string text) {
  text.erase(std::remove(text.begin(), text.end(), '\0'), text.end());
  return text;
}

}  // namespace

HookChannel::HookChannel(Programs& programs, std::string program,
                         std::function<void(const std::string&)> log)
    : programs_(programs), program_(std::move(program)), log_(std::move(log)) {}

HookChannel::~HookChannel() {
  *alive_ = false;
}

void HookChannel::raise(const Alert& alert) {
  waiting_.push_back(alert);
  if (waiting_.size() > kMostWaiting) {
    log_("alert hook: too many alerts wait for it; dropped: " + waiting_.front().text);
    waiting_.pop_front();
  }
  run_next();
}

void HookChannel::run_next() {
  while (running_ < programs_.at_once() && !waiting_.empty()) {
    const Alert alert = std::move(waiting_.front());
    waiting_.pop_front();
    ++running_;
    ProgramJob job;
    job.words = {program_};
    job.environment = {{"CREEL_ALERT", alert.kind},
                       {"CREEL_URGENT", alert.urgent ? "yes" : "no"},
                       {"CREEL_TEXT", without_nul(alert.text)},
                       {"CREEL_SESSION", without_nul(alert.session)}};
    job.input =
        alert.object().dump(-1, ' ', false, nlohmann::json::error_handler_t::replace) + "\n";
    job.limit = kLimit;
    programs_.run(std::move(job), [this, kind = alert.kind, alive = alive_](const ProgramEnd& end) {
      if (!*alive) {
        return;
      }
      --running_;
      if (!end.well) {
        log_("alert hook for '" + kind + "' " + end.how +
             (end.said.empty() ? "" : ": " + in_one_line(end.said)));
      }
      run_next();
    });
  }
}

}  // namespace creel
