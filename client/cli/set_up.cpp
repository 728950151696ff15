// setup: live set-up on an area, its numbers across the whole terminal.

#include <sys/ioctl.h>
#include <unistd.h>

#include <chrono>
#include <csignal>
#include <cstdio>
#include <cstdlib>

#include "client/cli/commands.h"
#include "client/cli/files.h"
#include "client/cli/link.h"
#include "client/cli/set_up_screen.h"

namespace creel::cli {

using nlohmann::json;

namespace {

constexpr std::size_t kMostText = 1'000'000;
constexpr Duration kStartLimit = seconds(60);
constexpr Duration kLookEvery = milliseconds(200);
constexpr double kLineEvery_s = 1;
constexpr double kEndLimit_s = 30;  // an exposure of 10 s, its closing and its charge

volatile std::sig_atomic_t interrupted = 0;

extern "C" void on_interrupt(int) {
  interrupted = 1;
}

/// Real time of this process only: for the pace on the screen, never for a decision about the beam.
double now_s() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

bool shows_utf8() {
  for (const char* name : {"LC_ALL", "LC_CTYPE", "LANG"}) {
    const char* value = std::getenv(name);
    if (value != nullptr && *value != '\0') {
      const std::string locale(value);
      return locale.find("UTF-8") != std::string::npos || locale.find("utf8") != std::string::npos;
    }
  }
  return false;
}

/// The terminal's other page, given back at the end; or plain lines where there is no terminal.
class Display {
 public:
  explicit Display(bool json) : json_(json), terminal_(!json && ::isatty(STDOUT_FILENO) == 1) {
    const char* no_colour = std::getenv("NO_COLOR");  // https://no-color.org
    look_.colour = no_colour == nullptr || *no_colour == '\0';
    look_.block = shows_utf8() ? "█" : "#";
    if (terminal_) {
      std::fputs("\033[?1049h\033[?25l", stdout);
    }
  }
  ~Display() { leave(); }
  Display(const Display&) = delete;
  Display& operator=(const Display&) = delete;

  void show(const json& status) {
    if (json_) {
      std::printf("%s\n", status.dump(-1, ' ', false, json::error_handler_t::replace).c_str());
    } else if (terminal_) {
      draw(status);
    } else if (now_s() - said_s_ >= kLineEvery_s) {
      said_s_ = now_s();
      std::printf("%s\n", set_up_line(status).c_str());
    }
    std::fflush(stdout);
  }
  void leave() {
    if (std::exchange(terminal_, false)) {
      std::fputs("\033[?25h\033[?1049l", stdout);
      std::fflush(stdout);
    }
  }

 private:
  void draw(const json& status) {
    winsize size{};
    if (::ioctl(STDOUT_FILENO, TIOCGWINSZ, &size) == 0 && size.ws_col > 20 && size.ws_row > 5) {
      look_.columns = size.ws_col;
      look_.rows = size.ws_row;
    }
    std::string page = "\033[H";
    std::size_t row = 0;
    for (const std::string& line : set_up_screen(status, look_)) {
      if (row++ < look_.rows) {
        page += (row > 1 ? "\r\n" : "") + line + "\033[K";
      }
    }
    std::fputs((page + "\033[J").c_str(), stdout);
  }

  bool json_;
  bool terminal_;
  ScreenLook look_;
  double said_s_ = -kLineEvery_s;
};

Answer ended(const json& last) {
  Answer answer;
  answer.object = last.is_object() ? last : json::object();
  answer.text = set_up_summary(last);
  const std::string outcome = text_of(last, "outcome");
  if (outcome == "failed" || outcome == "not begun") {
    answer.exit = Exit::trouble;
    answer.trouble = "creel setup: it ended because something failed: " + text_of(last, "reason") +
                     "\n  safe: the shutters were closed and the dose is charged; look at the "
                     "instrument all the same.\n  next: creel devices.";
  }
  return answer;
}

/// Shows what comes until the set-up has ended. With `ours` Ctrl-C ends the set-up, and this waits
/// until its shutters are closed; else it ends the watching.
Answer watch_set_up(Link& link, const Common& common, const json& first, bool ours) {
  interrupted = 0;
  std::signal(SIGINT, on_interrupt);
  std::signal(SIGTERM, on_interrupt);
  std::signal(SIGHUP, on_interrupt);
  Display display(common.json);
  json status = first;
  double asked_to_end_s = 0;
  while (flag_of(status, "running")) {
    display.show(status);
    if (interrupted != 0 && asked_to_end_s == 0) {
      if (!ours) {
        return failure("setup", Exit::interrupted,
                       Error{ErrorCode::cancelled, "watching was interrupted"});
      }
      (void)link.call("setup.stop");  // refused when it has just ended: that is told in a moment
      asked_to_end_s = now_s();
    }
    if (asked_to_end_s > 0 && now_s() - asked_to_end_s > kEndLimit_s) {
      return failure("setup", Exit::trouble,
                     Error{ErrorCode::timed_out, "the set-up was asked to end and has not"},
                     "unknown: the shutter may be open; creeld goes on closing it.",
                     "creel close-all, and look at the instrument.");
    }
    auto notification = link.next(kLookEvery);
    if (!notification.ok() && notification.error().code != ErrorCode::timed_out) {
      return failure("setup", link.exit_for(notification.error()), notification.error(),
                     "a set-up ends by itself when creeld or this connection goes; the hosts of "
                     "the shutters close them.",
                     "look at the instrument; see 'creel status'.");
    }
    if (notification.ok() && notification->method == "setup") {
      status = notification->params;
    }
  }
  display.leave();
  return ended(member_of(status, "last"));
}

Answer stop_set_up(const Common& common) {
  auto called = call_once("setup", common.socket, "setup.stop");
  if (called.failed) {
    return *called.failed;
  }
  Answer answer;
  answer.text = "The set-up ends once the running exposure is over, shutters closed.";
  return answer;
}

Answer watch_only(const Common& common) {
  auto link = Link::open(common.socket);
  if (!link.ok()) {
    return unreachable("setup", link.error());
  }
  auto status = link->call("setup.follow");
  if (!status.ok()) {
    return failure("setup", link->exit_for(status.error()), status.error());
  }
  if (flag_of(*status, "running")) {
    return watch_set_up(*link, common, *status, false);
  }
  const json last = member_of(*status, "last");
  if (!last.is_object()) {
    return failure("setup", Exit::refused,
                   Error{ErrorCode::refused, "no set-up is running, and there was none before"});
  }
  Answer answer = ended(last);
  answer.text = "no set-up is running; the last one:\n" + answer.text;
  return answer;
}

}  // namespace

Answer set_up(const Common& common, const SetUpWish& wish) {
  if (wish.stop) {
    return stop_set_up(common);
  }
  if (wish.watch) {
    return watch_only(common);
  }
  if (wish.file.empty() || wish.area.empty()) {
    return failure("setup", Exit::wrong,
                   Error{ErrorCode::invalid_request,
                         "a set-up needs a series FILE, which names devices, dose rate and limits, "
                         "and --area, which gets the dose"});
  }
  auto text = read_text(wish.file, kMostText);
  if (!text.ok()) {
    return failure("setup", Exit::wrong, text.error());
  }
  auto link = Link::open(common.socket);
  if (!link.ok()) {
    return unreachable("setup", link.error());
  }
  json params = {{"text", *text},
                 {"origin", wish.file},
                 {"area", wish.area},
                 {"exposure_s", wish.exposure_s},
                 {"limit_s", wish.minutes * 60}};
  if (wish.dose > 0) {
    params["dose_e_per_a2"] = wish.dose;
  }
  auto started = link->call("setup.start", params, kStartLimit);
  if (!started.ok()) {
    return failure("setup", link->exit_for(started.error()), started.error());
  }
  return watch_set_up(*link, common, *started, true);
}

}  // namespace creel::cli
