#include "client/cli/follow.h"

#include <sys/ioctl.h>
#include <unistd.h>

#include <chrono>
#include <csignal>
#include <cstdio>

#include "client/cli/progress.h"
#include "protocol/base/text.h"

namespace creel::cli {

using nlohmann::json;

namespace {

constexpr Duration kStatusEvery = milliseconds(500);

volatile std::sig_atomic_t interrupted = 0;

extern "C" void on_signal(int) {
  interrupted = 1;
}

/// Real time of this process only: for the pace on the screen, never for a decision.
double now_s() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

/// Where the lines go. On a terminal the last line is rewritten in place.
class Screen {
 public:
  explicit Screen(const Common& common)
      : json_(common.json), in_place_(common.progress && !common.json) {}
  ~Screen() { clear(); }
  Screen(const Screen&) = delete;
  Screen& operator=(const Screen&) = delete;

  void event(const json& event, const std::optional<std::string>& line) {
    if (json_) {
      std::fprintf(stdout, "%s\n",
                   event.dump(-1, ' ', false, json::error_handler_t::replace).c_str());
    } else if (line) {
      clear();
      std::fprintf(stdout, "%s\n", line->c_str());
    }
    std::fflush(stdout);
  }
  void progress(Progress& progress) {
    if (json_) {
      return;
    }
    if (in_place_) {
      clear();
      std::fprintf(stderr, "%s", progress.line(columns() - 1).c_str());
      shown_ = true;
      std::fflush(stderr);
    } else if (progress.plain_line_due()) {
      std::fprintf(stdout, "%s\n", progress.line(400).c_str());
      std::fflush(stdout);
    }
  }
  void clear() {
    if (shown_) {
      std::fprintf(stderr, "\r\033[K");
      std::fflush(stderr);
      shown_ = false;
    }
  }

 private:
  static std::size_t columns() {
    winsize size{};
    return ::ioctl(STDERR_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_col > 20 ? size.ws_col : 80;
  }
  bool json_;
  bool in_place_;
  bool shown_ = false;
};

Answer ended(const json& event) {
  Answer answer;
  answer.object = event;
  const std::string outcome = text_of(event, "outcome", "unknown");
  // "precision": the answer is good enough, and that is what was asked for.
  answer.exit = outcome == "complete" || outcome == "precision" ? Exit::done : Exit::no;
  answer.text = "series ended: " + outcome +
                (text_of(event, "reason").empty() ? "" : " (" + text_of(event, "reason") + ")") +
                "\nsession " + text_of(event, "path", text_of(event, "session")) + ", " +
                number(number_of(event, "frames"), 12) + " frames";
  const json doses = object_of(event, "dose");
  for (const auto& [area, dose] : doses.items()) {
    answer.text += "\n" + area + ": " + number(number_of(dose, "series_e_per_a2")) +
                   " e/A^2 in this series, " + number(number_of(dose, "area_e_per_a2")) + " in all";
  }
  return answer;
}

Answer stopped_watching() {
  return failure("follow", Exit::interrupted,
                 Error{ErrorCode::cancelled, "watching was interrupted"});
}

/// Asks for the status so that the progress line is true even when events are few.
Result<void> refresh(Link& link, Progress& progress) {
  auto status = link.call("daemon.status");
  if (!status.ok()) {
    return status.error();
  }
  progress.take_status(member_of(*status, "series"), now_s());
  return {};
}

Answer watch_failed(const Link& link, const Error& error) {
  return failure("follow", link.exit_for(error), error);
}

}  // namespace

Answer watch(Link& link, const Common& common, const std::string& session, bool until_end) {
  std::signal(SIGINT, on_signal);
  std::signal(SIGTERM, on_signal);
  Progress progress;
  Screen screen(common);
  double asked_s = -1;
  while (interrupted == 0) {
    if (now_s() - asked_s >= in_seconds(kStatusEvery)) {
      if (auto refreshed = refresh(link, progress); !refreshed.ok()) {
        return watch_failed(link, refreshed.error());
      }
      asked_s = now_s();
      screen.progress(progress);
    }
    auto notification = link.next(kStatusEvery);
    if (!notification.ok()) {
      if (notification.error().code == ErrorCode::timed_out) {
        continue;
      }
      return watch_failed(link, notification.error());
    }
    if (notification->method != "event") {
      continue;
    }
    const json& event = notification->params;
    screen.event(event, progress.take_event(event));
    const bool ours = session.empty() || text_of(event, "session") == session;
    if (until_end && ours && text_of(event, "event") == "session_closed") {
      return ended(event);
    }
  }
  return stopped_watching();
}

Answer follow(const Common& common, bool until_end) {
  auto link = Link::open(common.socket);
  if (!link.ok()) {
    return unreachable("follow", link.error());
  }
  auto followed = link->call("events.follow");
  if (!followed.ok()) {
    return failure("follow", link->exit_for(followed.error()), followed.error());
  }
  const json series = member_of(member_of(*followed, "status"), "series");
  if (until_end && !flag_of(series, "running") && !flag_of(series, "preparing")) {
    const json last = member_of(series, "last");
    if (last.is_object()) {
      return ended(last);
    }
    return failure(
        "follow", Exit::refused,
        Error{ErrorCode::refused, "no series is running, and none has run since creeld began"});
  }
  return watch(*link, common, text_of(series, "session"), until_end);
}

}  // namespace creel::cli
