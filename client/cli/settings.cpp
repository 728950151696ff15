// settings: what a person typed for the last session, asked for again and written down.

#include <poll.h>
#include <unistd.h>

#include <algorithm>
#include <csignal>
#include <filesystem>
#include <iostream>

#include "client/calibrate/folder.h"
#include "client/calibrate/typed_settings.h"
#include "client/cli/calibrate.h"
#include "client/cli/files.h"
#include "client/cli/last_session.h"
#include "client/cli/today.h"
#include "client/report/drawing.h"
#include "protocol/base/text.h"

namespace creel::cli {

using nlohmann::json;

namespace {

constexpr const char* kProgram = "creel " CREEL_VERSION;
constexpr std::size_t kMostText = 1'000'000;
constexpr double kHour_ns = 3.6e12;

extern "C" void on_ctrl_c(int) {}

/// Reads answers from the terminal. Ctrl-C ends the reading instead of the program, so that it can
/// say what was saved. The signal is held back except while waiting: one that came a moment before
/// would else be lost, and the reading go on.
class Asker {
 public:
  Asker() {
    struct sigaction action = {};
    action.sa_handler = on_ctrl_c;
    ::sigaction(SIGINT, &action, &before_);
    sigset_t held = {};
    sigemptyset(&held);
    sigaddset(&held, SIGINT);
    ::sigprocmask(SIG_BLOCK, &held, &open_);
    sigdelset(&open_, SIGINT);
  }
  ~Asker() {
    ::sigprocmask(SIG_SETMASK, &open_, nullptr);
    ::sigaction(SIGINT, &before_, nullptr);
  }
  Asker(const Asker&) = delete;
  Asker& operator=(const Asker&) = delete;

  /// The line that is typed. Nothing when the person stops: Ctrl-C, Ctrl-D, also in the middle of a
  /// line.
  [[nodiscard]] std::optional<std::string> ask(const std::string& question) const {
    std::cerr << question << std::flush;
    std::string line;
    while (!line.ends_with('\n')) {
      pollfd terminal{STDIN_FILENO, POLLIN, 0};
      char typed[256];
      // A terminal gives a line at a time, and what Ctrl-D cuts off.
      const ssize_t got = ::ppoll(&terminal, 1, nullptr, &open_) == 1
                              ? ::read(STDIN_FILENO, typed, sizeof typed)
                              : -1;
      if (got <= 0) {
        std::cerr << std::endl;
        return std::nullopt;
      }
      line.append(typed, static_cast<std::size_t>(got));
    }
    line.pop_back();
    return line;
  }

 private:
  struct sigaction before_ = {};
  sigset_t open_ = {};
};

/// Puts an answer in its place if the series is still one with it; else leaves all as it was.
Result<void> put_checked(json& document, const std::string& name, const std::string& typed) {
  json tried = document;
  CREEL_TRY(calibrate::put_typed(tried, name, typed));
  constexpr std::string_view kOrigin = "answer:1: ";  // a person at a terminal sees no file
  if (auto series = parse_series(tried.dump(), "answer"); !series.ok()) {
    Error fault = series.error();
    if (fault.text.starts_with(kOrigin)) fault.text.erase(0, kOrigin.size());
    return fault;
  }
  document = std::move(tried);
  return {};
}

/// Asks until the answer can be taken: wrong ones cost nothing but a line. Whether it was changed;
/// an error when the person stops.
Result<bool> still_true(const Asker& asker, json& document, const calibrate::TypedSetting& one,
                        double old_h) {
  const std::string value = one.value.is_string() ? one.value.get<std::string>() : one.value.dump();
  for (;;) {
    const auto typed =
        asker.ask(one.name + " = " + value + (one.unit.empty() ? "" : " ") + one.unit + ", " +
                  number(old_h, 3) + " h old. Still true? Enter: yes; or the new value: ");
    if (!typed) return Error{ErrorCode::cancelled, "stopped at " + one.name};
    if (typed->empty()) return false;
    const auto put = put_checked(document, one.name, *typed);
    if (put.ok()) return true;
    std::cerr << put.error().text << "\n";
  }
}

/// Goes through each value that --set does not answer. An error when the person stops, or when
/// nobody can be asked.
Result<calibrate::Answers> go_through(const SettingsOrder& order, json& document, double age_h,
                                      const LastSession& last) {
  calibrate::Answers answers;
  answers.rig = last.rig;
  answers.from_session = last.name;
  answers.program = kProgram;
  answers.taken_utc_ns = utc_now_ns();
  answers.measured = calibrate::put_measured(
      document, last.rig,
      calibrate::read_shelf(calibrate::beside_sessions(last.sessions, "calibrations")),
      answers.taken_utc_ns);
  for (const std::string& one : order.set) {
    const std::size_t equals = one.find('=');
    if (equals == std::string::npos) {
      return Error{ErrorCode::invalid_request, "--set: given \"" + one +
                                                   "\"; must be NAME=VALUE, such as "
                                                   "microscope.camera_length_mm=60"};
    }
    CREEL_TRY(put_checked(document, one.substr(0, equals), one.substr(equals + 1)));
    answers.changed.push_back(one.substr(0, equals));
    std::erase(answers.measured, answers.changed.back());
  }
  const auto answered = [&answers](const std::string& name) {
    return std::count(answers.changed.begin(), answers.changed.end(), name) +
               std::count(answers.measured.begin(), answers.measured.end(), name) >
           0;
  };
  // What was measured is as old as the measurement, however often it was typed since.
  const auto measured =
      utc_from_text(document.value("beam", json::object()).value("measured_at", std::string()));
  const double beam_h =
      measured ? static_cast<double>(answers.taken_utc_ns - *measured) / kHour_ns : age_h;
  const Asker asker;
  for (const calibrate::TypedSetting& one : calibrate::typed_settings(document)) {
    if (answered(one.name)) continue;
    const double old_h = one.name.starts_with("beam.") ? std::max(age_h, beam_h) : age_h;
    bool changed = false;
    if (!order.yes || old_h > order.at_most_h) {
      if (::isatty(STDIN_FILENO) != 1) {
        return Error{
            ErrorCode::refused,
            one.name + " is " + number(old_h, 3) + " h old" +
                (order.yes ? ", too long for --yes (at most " + number(order.at_most_h) + " h)"
                           : "") +
                ": answer on a terminal, or give each with --set NAME=VALUE"};
      }
      auto answer = still_true(asker, document, one, old_h);
      if (!answer.ok()) return answer.error();
      changed = *answer;
    }
    (changed ? answers.changed : answers.confirmed).push_back(one.name);
  }
  return answers;
}

/// Files that go again unless all of them could be written.
class Together {
 public:
  ~Together() {
    std::error_code ignored;
    for (const std::string& path : written_) std::filesystem::remove(path, ignored);
  }
  void wrote(const std::string& path) { written_.push_back(path); }
  void keep() { written_.clear(); }

 private:
  std::vector<std::string> written_;
};

Answer typed_before(const LastSession& last, double age_h) {
  Answer answer;
  answer.object = {{"session", last.name}, {"age_h", age_h}, {"values", json::object()}};
  std::vector<std::vector<std::string>> rows;
  for (const calibrate::TypedSetting& one : calibrate::typed_settings(last.series.document)) {
    rows.push_back({one.name,
                    one.value.is_string() ? one.value.get<std::string>() : one.value.dump(),
                    one.unit});
    answer.object["values"][one.name] = one.value;
  }
  answer.text = "typed for session " + last.name + ", " + number(age_h, 3) + " h ago\n" +
                table(rows) +
                "\nTake them over: creel settings --into FILE --out FILE asks for each whether "
                "it is still true.";
  return answer;
}

/// Photographs and record beside the sessions, then the series: all or nothing.
Result<std::string> write_settings(const SettingsOrder& order, const LastSession& last,
                                   const json& document, const std::string& series,
                                   calibrate::Answers& answers) {
  const std::string folder = calibrate::beside_sessions(last.sessions, "settings");
  const std::string name = "settings-" + last.rig + "-" + std::to_string(answers.taken_utc_ns);
  Together together;
  for (const std::string& photo : order.photos) {
    auto kept = calibrate::keep_photograph(
        photo, folder, name + "-" + std::to_string(answers.photographs.size() + 1));
    if (!kept.ok()) return kept.error();
    together.wrote(folder + "/" + kept->file);
    answers.photographs.push_back(*kept);
  }
  auto path =
      calibrate::write_new(folder, name, calibrate::to_json(answers, document).dump(1) + "\n");
  if (!path.ok()) return path.error();
  together.wrote(*path);
  CREEL_TRY(report::write_whole(order.out, series));
  together.keep();
  return *path;
}

}  // namespace

Answer settings(const Common& common, const SettingsOrder& order) {
  const auto failed = [](const Error& error) {
    return failure("settings", exit_of(error.code), error);
  };
  auto last = last_session(common);
  if (!last.ok()) return failed(last.error());
  const double age_h = static_cast<double>(utc_now_ns() - last->began_utc_ns) / kHour_ns;
  if (order.out.empty()) return typed_before(*last, age_h);
  json document = last->series.document;
  json into = document;
  if (!order.into.empty()) {
    auto text = read_text(order.into, kMostText);
    if (!text.ok()) return failed(text.error());
    auto series = parse_series(*text, order.into);
    if (!series.ok()) return failed(series.error());
    into = series->document;
  }
  auto answers = go_through(order, document, age_h, *last);
  if (!answers.ok()) {
    const Error& why = answers.error();
    if (why.code != ErrorCode::cancelled) return failed(why);
    return failure("settings", Exit::interrupted, why,
                   "nothing was written; answers given so far are forgotten.",
                   "run it again; --set NAME=VALUE gives an answer beforehand.");
  }
  calibrate::copy_typed(document, into);
  const std::string series = into.dump(2) + "\n";
  if (auto checked = parse_series(series, order.out); !checked.ok()) {
    return failed(checked.error());
  }
  auto path = write_settings(order, *last, document, series, *answers);
  if (!path.ok()) return failed(path.error());
  Answer answer;
  answer.object = {{"series", order.out},
                   {"record", *path},
                   {"confirmed", answers->confirmed},
                   {"changed", answers->changed},
                   {"measured", answers->measured}};
  answer.text = order.out + ": " + std::to_string(answers->confirmed.size()) + " confirmed, " +
                std::to_string(answers->changed.size()) + " changed, " +
                std::to_string(answers->measured.size()) +
                " from calibrations in date\nwritten down in " + *path;
  add_calibrations(answer, series, last->rig,
                   calibrate::beside_sessions(last->sessions, "calibrations"), utc_now_ns());
  return answer;
}

}  // namespace creel::cli
