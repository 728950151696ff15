#include "client/report/recap_timeline.h"

#include <algorithm>
#include <array>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <map>
#include <optional>
#include <utility>

#include "protocol/base/text.h"

namespace creel::report {

using nlohmann::json;
using session::Record;

namespace {

constexpr std::int64_t kSecond = 1'000'000'000;
constexpr std::int64_t kClockStep = 2 * kSecond;  ///< less is drift and rounding
constexpr std::size_t kLinesOfAPage = 40;
// Times beyond these are damage; nanoseconds of them still add up.
constexpr int kFirstYear = 1970, kLastYear = 2200;
constexpr std::int64_t kLongestWorld = 10LL * 366 * 86400 * kSecond;
constexpr std::int64_t kLatestUtc = std::int64_t{kLastYear - kFirstYear} * 366 * 86400 * kSecond;

json member(const json& object, const char* name) {
  const auto found = object.is_object() ? object.find(name) : object.end();
  return object.is_object() && found != object.end() ? *found : json();
}

std::string text_in(const json& object, const char* name) {
  const json value = member(object, name);
  return value.is_string() ? value.get<std::string>() : "";
}

std::optional<std::int64_t> whole(const json& object, const char* name) {
  const json value = member(object, name);
  return value.is_number_integer() ? std::optional(value.get<std::int64_t>()) : std::nullopt;
}

/// RFC 3339 as our own events have it: milliseconds, Z.
std::optional<std::int64_t> utc_in(const json& event) {
  int year = 0;
  unsigned month = 0, day = 0, hour = 0, minute = 0, second = 0, milli = 0;
  const std::string text = text_in(event, "utc");
  if (std::sscanf(text.c_str(), "%4d-%2u-%2uT%2u:%2u:%2u.%3uZ", &year, &month, &day, &hour, &minute,
                  &second, &milli) != 7) {
    return std::nullopt;
  }
  const std::chrono::year_month_day date{std::chrono::year{year}, std::chrono::month{month},
                                         std::chrono::day{day}};
  if (!date.ok() || year < kFirstYear || year >= kLastYear) {
    return std::nullopt;
  }
  const std::int64_t days = std::chrono::sys_days{date}.time_since_epoch().count();
  return (days * 86400 + hour * 3600LL + minute * 60LL + second) * kSecond + milli * 1'000'000LL;
}

/// The same sentence about other numbers counts as the same.
std::string without_numbers(const std::string& text) {
  std::string plain;
  for (const char c : text) {
    const bool digit = c >= '0' && c <= '9';
    if (!digit) {
      plain += c;
    } else if (plain.empty() || plain.back() != '#') {
      plain += '#';
    }
  }
  return plain;
}

std::string counted(std::uint64_t n, const std::string& one, const std::string& many) {
  return std::to_string(n) + " " + (n == 1 ? one : many);
}

bool is_routine(const std::string& event, const json& body) {
  static constexpr std::array kRoutine = {"setting", "moved", "gauges",       "measures",
                                          "charged", "piece", "shutter_times"};
  return std::any_of(kRoutine.begin(), kRoutine.end(),
                     [&](const char* one) { return event == one; }) ||
         (event == "device_log" && text_in(body, "level") != "warning" &&
          text_in(body, "level") != "error");
}

/// What happened once, before repeated things are put together.
struct Happened {
  Moment moment;
  std::string key;      ///< what counts as the same thing
  std::string subject;  ///< of a wait: "gauge guard (laser_power power)"; of a device: its name
};

class Telling {
 public:
  Telling(const session::Reader& reader, const session::EventLog& log, const json& series,
          const json& rig, bool all)
      : reader_(reader), log_(log), series_(series), all_(all) {
    const json accelerated = member(rig, "accelerated");
    const json speed = member(rig, "speed");
    real_time_ = accelerated != json(true) && (speed.is_null() || speed == json(1));
  }

  Timeline tell() {
    begin_life(0, reader_.documents().start_utc_ns, reader_.documents().start_world_ns);
    told_.began_ns = last_ = reader_.documents().start_utc_ns;
    for (const json& event : log_.events) {
      take(event);
    }
    take_records(reader_.records().size());
    for (const auto& [block, run] : ran_) {
      add_run(run);
    }
    told_.last_ns = last_;
    for (std::size_t* open : {&wait_, &hold_}) {
      if (*open != kNone) {
        close(*open, last_);
      }
    }
    gather();
    return std::move(told_);
  }

 private:
  static constexpr std::size_t kNone = SIZE_MAX;

  struct Run {
    std::string name;
    std::int64_t from = 0, until = 0;
    std::map<std::uint8_t, std::uint64_t> exposures;  ///< by kind
    std::uint64_t frames = 0;
    double dose = 0;
  };

  // --- Time

  void begin_life(std::uint64_t first_sequence, std::int64_t utc, std::int64_t world) {
    take_records_before(first_sequence);
    life_utc_ = std::clamp<std::int64_t>(utc, 0, kLatestUtc);
    life_world_ = std::clamp<std::int64_t>(world, 0, kLongestWorld);
    clock_offset_.reset();
  }

  [[nodiscard]] std::int64_t utc_of(std::int64_t world) const {
    return life_utc_ + (std::clamp<std::int64_t>(world, 0, kLongestWorld) - life_world_);
  }

  std::int64_t time_of(const json& event) {
    const auto world = whole(event, "world_ns");
    if (!world || *world < life_world_ || *world > kLongestWorld) {
      return last_;
    }
    const std::int64_t time = utc_of(*world);
    const auto said = utc_in(event);
    if (real_time_ && said) {
      const std::int64_t offset = *said - time;
      if (clock_offset_ && std::abs(offset - *clock_offset_) > kClockStep) {
        const std::int64_t step = offset - *clock_offset_;
        add("clock", time,
            "the computer's clock went " + std::string(step > 0 ? "forward" : "back") + " by " +
                time_span(std::abs(static_cast<double>(step)) * 1e-9) +
                " (set, or the computer slept); order and exposures are not touched by it");
      }
      clock_offset_ = offset;
    }
    return time;
  }

  // --- Records

  void take_records_before(std::uint64_t sequence) {
    const auto records = reader_.records();
    const auto end = std::lower_bound(
        records.begin(), records.end(), sequence,
        [](const Record& one, std::uint64_t wanted) { return one.sequence < wanted; });
    take_records(static_cast<std::size_t>(end - records.begin()));
  }

  void take_records(std::size_t end) {
    const auto records = reader_.records();
    for (; record_ < end; ++record_) {
      take(records[record_], record_ == 0 ? nullptr : &records[record_ - 1]);
    }
  }

  void take(const Record& record, const Record* before) {
    const std::int64_t from = utc_of(record.start_ns);
    const std::int64_t until = from + std::max<std::int64_t>(record.exposure_ns, 0);
    last_ = std::max(last_, until);
    const std::uint64_t missing = record.sequence - (before == nullptr ? 0 : before->sequence + 1);
    if (missing > 0) {
      add("gap", from,
          counted(missing, "frame is", "frames are") + " missing before frame " +
              std::to_string(record.sequence) + ": lost before they were safe, or damaged",
          "missing");
    }
    if (record.lost_before > 0) {
      add("gap", from,
          "the detector lost " + counted(record.lost_before, "frame", "frames") + " before frame " +
              std::to_string(record.sequence) + "; nothing was filled in, their dose is charged",
          "lost");
    }
    if ((record.flags & session::kBroken) != 0) {
      return;  // told by its event
    }
    Run& run = ran_[record.block];
    if (run.frames == 0) {
      run.from = from;
      run.name = block_name(record.block);
    }
    run.until = std::max(run.until, until);
    ++run.frames;
    if (before == nullptr || before->exposure != record.exposure ||
        before->attempt != record.attempt) {
      ++run.exposures[record.kind];
      run.dose += std::isfinite(record.dose) ? record.dose : 0;
    }
  }

  [[nodiscard]] std::string block_name(std::uint32_t block) const {
    const json blocks = member(series_, "blocks");
    const std::string name =
        blocks.is_array() && block < blocks.size() ? text_in(blocks[block], "name") : "";
    return name.empty() ? "block " + std::to_string(block) : "block " + name;
  }

  void add_run(const Run& run) {
    static constexpr std::array kKinds = {"specimen", "dark", "gain", "zero-loss", "background"};
    std::string parts;
    std::uint64_t exposures = 0;
    for (const auto& [kind, n] : run.exposures) {
      exposures += n;
      parts += (parts.empty() ? "" : ", ") + std::to_string(n) + " " +
               (kind < kKinds.size() ? kKinds[kind] : "of unknown kind");
    }
    const bool many = run.frames != exposures;
    const std::size_t at =
        add("ran", run.from,
            run.name + ": " + counted(exposures, "exposure", "exposures") + " (" + parts + ")" +
                (many ? ", " + counted(run.frames, "frame", "frames") : "") +
                (run.dose > 0 ? ", " + number(run.dose) + " e/A^2" : ""),
            run.name);
    lasted(at, run.until);
  }

  // --- Events

  std::size_t add(const std::string& kind, std::int64_t time, const std::string& text,
                  const std::string& same = "", const std::string& subject = "") {
    Moment moment;
    moment.utc_ns = moment.until_ns = time;
    moment.kind = kind;
    moment.text = text;
    happened_.push_back(
        {std::move(moment), kind + ":" + (same.empty() ? without_numbers(text) : same), subject});
    return happened_.size() - 1;
  }

  /// Ends what was under way; `which` then names nothing.
  void close(std::size_t& which, std::int64_t time) { lasted(std::exchange(which, kNone), time); }

  void lasted(std::size_t which, std::int64_t time) {
    Moment& moment = happened_[which].moment;
    moment.until_ns = std::max(moment.utc_ns, time);
    moment.seconds = static_cast<double>(moment.until_ns - moment.utc_ns) * 1e-9;
  }

  void take(const json& event) {
    const std::string what = text_in(event, "event");
    if (what == "resumed") {
      resumed(event);
      return;
    }
    const std::int64_t now = time_of(event);
    last_ = std::max(last_, now);
    if (told_by_itself(what, event, now)) {
      return;
    }
    const std::string text = text_in(event, "text");
    if (is_routine(what, event)) {
      if (all_) {
        add(what, now, text);
      }
      return;
    }
    add(what == "entered_by_hand" ? "dose"
        : what.empty()            ? "event"
                                  : what,
        now, text.empty() ? what : text);
  }

  /// Events that begin or end something, or that say more than their text.
  bool told_by_itself(const std::string& what, const json& event, std::int64_t now) {
    using Teller = void (Telling::*)(const json&, std::int64_t);
    static const std::map<std::string, Teller> tellers = {
        {"started", &Telling::started},
        {"ended", &Telling::ended},
        {"guard", &Telling::guard},
        {"guard_satisfied", &Telling::guard_satisfied},
        {"hold", &Telling::hold},
        {"continue", &Telling::went_on},
        {"device", &Telling::device},
        {"exposure_broken", &Telling::broken},
        {"frame_left_out", &Telling::left_out},
        {"alarm", &Telling::alarm},
        {"alert", &Telling::alert},
        {"close_all", &Telling::close_all},
        {"never_acknowledged", &Telling::never_acknowledged}};
    const auto found = tellers.find(what);
    if (found == tellers.end()) {
      return false;
    }
    (this->*found->second)(event, now);
    return true;
  }

  void started(const json&, std::int64_t now) {
    add("start", now, "the session began: " + reader_.documents().name);
  }

  void resumed(const json& event) {
    const std::int64_t gone = last_;
    const auto next = whole(event, "next_sequence");
    const std::int64_t back = std::max(utc_in(event).value_or(last_), last_);
    end_waiting(gone);
    outages_.clear();
    begin_life(next && *next >= 0 ? static_cast<std::uint64_t>(*next) : 0, back,
               whole(event, "world_ns").value_or(0));
    const auto done = whole(event, "exposures_done");
    const std::string how =
        in_order_ ? "creeld was ended in order and started again"
                  : "creeld ended without a word (killed, crashed, or no power) and came back";
    const std::size_t at =
        add("restart", std::max(gone, last_),
            how + (done ? "; it went on at exposure " + std::to_string(*done + 1) : ""), how);
    lasted(at, back);
    if (hold_ != kNone) {
      close(hold_, back);
    }
    told_.holding.clear();
    in_order_ = false;
    last_ = std::max(last_, back);
  }

  void ended(const json& event, std::int64_t now) {
    end_waiting(now);
    if (hold_ != kNone) {
      close(hold_, now);
    }
    told_.holding.clear();
    told_.not_closed.clear();
    told_.outcome = text_in(event, "outcome");
    told_.outcome = told_.outcome.empty() ? "ended" : told_.outcome;
    told_.reason = text_in(event, "reason");
    const std::size_t at = add("end", now, "the series ended: " + text_in(event, "text"));
    happened_[at].moment.numbers = std::exchange(numbers_, json::object());
  }

  void guard(const json& event, std::int64_t now) {
    json numbers = event;
    for (const char* name : {"event", "text", "utc", "world_ns", "session"}) {
      numbers.erase(name);
    }
    const std::string decision = text_in(event, "decision");
    end_waiting(now);
    if (decision == "hold" || decision == "end") {  // the event after this one tells it
      numbers_ = std::move(numbers);
      return;
    }
    std::string subject = text_in(event, "guard") + " guard";
    if (!text_in(event, "device").empty()) {
      subject += " (" + text_in(event, "device") + " " + text_in(event, "channel") + ")";
    }
    const bool waits = decision == "wait";
    const std::size_t at =
        add(waits ? "wait" : "guard", now,
            (waits ? "waited with the shutter closed: " : "") + text_in(event, "text"),
            waits ? subject : "", subject);
    happened_[at].moment.numbers = std::move(numbers);
    if (waits) {
      wait_ = at;
    }
  }

  void guard_satisfied(const json&, std::int64_t now) { end_waiting(now); }

  void end_waiting(std::int64_t now) {
    if (wait_ != kNone) {
      close(wait_, now);
    }
  }

  void hold(const json& event, std::int64_t now) {
    end_waiting(now);
    told_.holding = text_in(event, "text");
    told_.not_closed.clear();
    hold_ = add("hold", now, "held for a person, shutter closed: " + told_.holding,
                without_numbers(told_.holding));
    happened_[hold_].moment.numbers = std::exchange(numbers_, json::object());
  }

  void went_on(const json&, std::int64_t now) {
    told_.holding.clear();
    if (hold_ == kNone) {
      add("continue", now, "a person said continue");
      return;
    }
    close(hold_, now);
  }

  void device(const json& event, std::int64_t now) {
    const json status = member(event, "device");
    const std::string name = text_in(status, "name");
    const std::string state = text_in(status, "state");
    const auto open = outages_.find(name);
    if (state == "stopped") {
      return;  // on purpose: creeld ends
    }
    if (open != outages_.end()) {
      const std::size_t at = open->second;
      tell_outage(happened_[at].moment, name, text_in(status, "last_trouble"), state == "ready");
      if (state == "ready") {
        lasted(at, now);
        outages_.erase(open);
      }
    } else if (state != "ready") {
      const std::size_t at = add("device", now, "", name, name);
      tell_outage(happened_[at].moment, name, text_in(status, "last_trouble"), false);
      outages_[name] = at;
    }
  }

  static void tell_outage(Moment& moment, const std::string& name, const std::string& trouble,
                          bool back) {
    moment.text = name + (back ? " was lost and came back" : " was lost") +
                  (trouble.empty() ? "" : ": " + trouble);
  }

  void broken(const json& event, std::int64_t now) {
    const std::string text = text_in(event, "text");
    const std::size_t at = add("broken", now, text, "");
    happened_[at].subject = text.substr(std::min(text.size(), text.find(": ") + 2));
    happened_[at].key = "broken:" + without_numbers(happened_[at].subject);
  }

  void left_out(const json& event, std::int64_t now) {
    const std::string text = text_in(event, "text");
    const std::size_t at = add("left_out", now, text, "");
    happened_[at].subject = text.substr(std::min(text.size(), text.find(": ") + 2));
    happened_[at].key = "left_out:" + without_numbers(happened_[at].subject);
  }

  void alarm(const json& event, std::int64_t now) {
    told_.not_closed = text_in(event, "text");
    add("alarm", now, "ALARM: " + told_.not_closed);
  }

  /// Its text repeats what the event before it says.
  void alert(const json& event, std::int64_t now) {
    std::string kind = text_in(event, "alert");
    std::replace(kind.begin(), kind.end(), '_', ' ');
    add("alert", now, "alert raised: " + kind + (all_ ? ": " + text_in(event, "text") : ""),
        "alert", kind);
  }

  void close_all(const json& event, std::int64_t now) {
    const std::string text = text_in(event, "text");
    in_order_ = text == "the daemon is ending";
    add("close_all", now, "every shutter was told to close: " + text);
  }

  void never_acknowledged(const json& event, std::int64_t now) {
    const auto first = whole(event, "first_sequence");
    const auto last = whole(event, "last_sequence");
    add("gap", now,
        first && last ? "frames " + std::to_string(*first) + " to " + std::to_string(*last) +
                            " were lost in the crash: they had never counted as safe"
                      : "frames were lost in the crash: they had never counted as safe",
        "crash");
  }

  // --- Together

  static bool repeats(const std::string& kind, std::size_t n) {
    const bool often = kind == "wait" || kind == "left_out" || kind == "broken" ||
                       kind == "device" || kind == "gap" || kind == "alert";
    return n >= (often ? 2U : 3U);
  }

  void gather() {
    if (!all_) {
      together([](const Happened& one) { return one.key; });
      if (happened_.size() > kLinesOfAPage) {
        together([](const Happened& one) {
          return one.moment.kind == "ran" ? one.key : one.moment.kind;
        });
      }
    }
    for (Happened& one : happened_) {
      told_.moments.push_back(std::move(one.moment));
    }
    std::stable_sort(told_.moments.begin(), told_.moments.end(),
                     [](const Moment& a, const Moment& b) { return a.utc_ns < b.utc_ns; });
  }

  template <class Key>
  void together(Key key) {
    std::map<std::string, std::vector<const Happened*>> same;
    for (const Happened& one : happened_) {
      same[key(one)].push_back(&one);
    }
    std::vector<Happened> fewer;
    for (const Happened& one : happened_) {
      const auto& group = same[key(one)];
      if (!repeats(one.moment.kind, group.size())) {
        fewer.push_back(one);
      } else if (group.front() == &one) {
        fewer.push_back(joined(group));
      }
    }
    happened_ = std::move(fewer);
  }

  static Happened joined(const std::vector<const Happened*>& group) {
    Happened all = *group.front();
    all.moment.count = 0;
    all.moment.seconds = 0;
    double longest = 0;
    for (const Happened* one : group) {
      all.moment.count += one->moment.count;
      all.moment.seconds += one->moment.seconds;
      all.moment.until_ns = std::max(all.moment.until_ns, one->moment.until_ns);
      longest = std::max(longest, one->moment.seconds);
    }
    all.moment.numbers = group.back()->moment.numbers;
    all.moment.text =
        all.moment.kind == "alert" ? alerts(group) : many(all, *group.back(), longest);
    return all;
  }

  static std::string alerts(const std::vector<const Happened*>& group) {
    std::vector<std::pair<std::string, int>> kinds;
    for (const Happened* one : group) {
      const auto found = std::find_if(kinds.begin(), kinds.end(),
                                      [&](const auto& kind) { return kind.first == one->subject; });
      if (found == kinds.end()) {
        kinds.emplace_back(one->subject, 1);
      } else {
        ++found->second;
      }
    }
    std::string text = std::to_string(group.size()) + " alerts raised: ";
    for (const auto& [kind, n] : kinds) {
      text += (&kind == &kinds.front().first ? "" : ", ") + kind +
              (n > 1 ? " (" + std::to_string(n) + ")" : "");
    }
    return text;
  }

  static std::string many(const Happened& all, const Happened& last, double longest) {
    const Moment& sum = all.moment;
    const std::string n = std::to_string(sum.count);
    const std::string time = sum.seconds > 0 ? ", " + time_span(sum.seconds) +
                                                   " in all, the longest " + time_span(longest)
                                             : "";
    if (sum.kind == "wait") {
      return n + " waits of the " + all.subject + time + "; the last: " + after_colon(last);
    }
    if (sum.kind == "left_out") {
      return n + " frames are marked and stay out of sums; the last: " + last.subject;
    }
    if (sum.kind == "broken") {
      return n + " exposures failed; the last: " + last.subject;
    }
    if (sum.kind == "device") {
      return n + " times lost: " + all.subject + time + "; the last: " + after_colon(last);
    }
    return n + " times" + time + "; the last: " + last.moment.text;
  }

  /// What a line says after its own introduction.
  static std::string after_colon(const Happened& one) {
    const std::string& text = one.moment.text;
    const auto colon = text.find(": ");
    return colon == std::string::npos ? text : text.substr(colon + 2);
  }

  const session::Reader& reader_;
  const session::EventLog& log_;
  const json& series_;
  bool all_;
  bool real_time_ = true;
  Timeline told_;
  std::vector<Happened> happened_;
  std::map<std::uint32_t, Run> ran_;
  std::map<std::string, std::size_t> outages_;  ///< by device
  std::size_t wait_ = kNone, hold_ = kNone;     ///< that are not over yet
  json numbers_ = json::object();  ///< of a guard that held or ended: for the event after it
  std::size_t record_ = 0;         ///< the next to be taken
  std::int64_t last_ = 0;          ///< last sign of life
  std::int64_t life_utc_ = 0, life_world_ = 0;
  std::optional<std::int64_t> clock_offset_;
  bool in_order_ = false;  ///< the daemon said that it was ending
};

}  // namespace

Timeline timeline_of(const session::Reader& reader, const session::EventLog& log,
                     const json& series, const json& rig, bool all) {
  return Telling(reader, log, series, rig, all).tell();
}

}  // namespace creel::report
