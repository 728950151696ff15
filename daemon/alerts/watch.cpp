#include "daemon/alerts/watch.h"

#include <utility>

#include "protocol/base/text.h"

namespace creel {

using nlohmann::json;

namespace {

/// The longest memory of alerts that were raised; texts with numbers in them are many.
constexpr std::size_t kMostRemembered = 1000;

std::string text_in(const json& event, const char* name) {
  const auto found = event.is_object() ? event.find(name) : event.end();
  return event.is_object() && found != event.end() && found->is_string() ? found->get<std::string>()
                                                                         : "";
}

std::string doing_of(const json& series) {
  if (!series.value("running", false)) {
    return series.value("preparing", false) ? "preparing" : "idle";
  }
  const std::string doing = series.value("doing", "");
  return series.value("folding", false)                    ? "closing the session"
         : series.value("holding", false)                  ? "holding"
         : doing.rfind("waiting with the shutter", 0) == 0 ? "waiting"
         : doing.rfind("waiting for devices", 0) == 0      ? "waiting for devices"
         : doing.rfind("ALARM", 0) == 0                    ? "alarm"
                                                           : "running";
}

}  // namespace

AlertWatch::AlertWatch(Scheduler& scheduler, const Clock& clock, Limits limits)
    : scheduler_(scheduler), clock_(clock), limits_(limits) {}

AlertWatch::~AlertWatch() {
  cancel(wait_);
  cancel(closing_);
  for (auto& [name, timer] : away_) {
    cancel(timer);
  }
  for (auto& [name, trouble] : trouble_) {
    cancel(trouble.failed);
    cancel(trouble.settled);
  }
}

void AlertWatch::cancel(TimerId& timer) {
  if (timer != 0) {
    scheduler_.cancel(std::exchange(timer, 0));
  }
}

void AlertWatch::after(Duration time, TimerId& timer, std::function<void()> job) {
  cancel(timer);
  timer = scheduler_.at(clock_.safety_now() + time, [&timer, job = std::move(job)] {
    timer = 0;
    job();
  });
}

void AlertWatch::raise(const std::string& kind, bool urgent, const std::string& text,
                       const std::string& same) {
  if (channels_.empty()) {
    return;
  }
  const SafetyTime now = clock_.safety_now();
  const std::string key = kind + ":" + (same.empty() ? text : same);
  const auto before = raised_.find(key);
  if (before != raised_.end() && now - before->second < limits_.again) {
    return;
  }
  if (raised_.size() >= kMostRemembered) {
    raised_.clear();
  }
  raised_[key] = now;
  const Alert alert{kind, urgent, text, session_, utc_text(clock_.utc_now_ns())};
  for (AlertChannel* channel : channels_) {
    channel->raise(alert);
  }
  if (recorder_ && !session_.empty()) {
    recorder_({{"event", "alert"}, {"alert", kind}, {"urgent", urgent}, {"text", text}});
  }
}

void AlertWatch::starting() {
  after(limits_.first_closing, closing_, [this] {
    raise("shutter_not_closed", true,
          "creeld has started, and not every shutter is shown to be closed yet. Nothing is exposed "
          "until then. Look at 'creel devices' and at the instrument");
  });
}

void AlertWatch::started(const std::string& trouble) {
  cancel(closing_);
  raise("daemon_started", !trouble.empty(),
        trouble.empty() ? "creeld has started; every shutter is shown to be closed"
                        : "creeld has started, but could not take up what it had left: " + trouble);
}

void AlertWatch::ending(const std::string& why) {
  ending_ = true;
  raise("daemon_ending", false,
        "creeld is ending (" + why +
            "): it closes every shutter; a running session is taken up at its next start");
  json last = told_.is_object() ? told_ : json::object();
  last["state"] = "ending";
  last["utc"] = utc_text(clock_.utc_now_ns());
  for (AlertChannel* channel : channels_) {
    channel->state(last);
  }
}

void AlertWatch::waits(const std::string& reason) {
  after(limits_.long_wait, wait_, [this, reason] {
    raise("long_wait", false,
          "the series has waited for more than " + time_span(in_seconds(limits_.long_wait)) +
              ", shutter closed: " + reason);
  });
}

void AlertWatch::waits_no_more() {
  cancel(wait_);
}

void AlertWatch::event(const json& event) {
  const std::string what = text_in(event, "event");
  const std::string text = text_in(event, "text");
  if (const std::string session = text_in(event, "session"); !session.empty()) {
    session_ = session;
  }
  if (what == "hold") {
    waits_no_more();
    raise("hold", true,
          "the series holds for a person, shutter closed: " + text +
              ". 'creel continue' goes on, 'creel stop' ends it; all frames so far are kept");
  } else if (what == "guard") {
    waits_no_more();
    if (text_in(event, "decision") == "wait") {
      waits(text);
      if (text_in(event, "guard") == "disk") {
        raise("disk_short", true, "the series waits, shutter closed: " + text, "guard");
      }
    }
  } else if (what == "guard_satisfied" || what == "continue") {
    waits_no_more();
  } else if (what == "alarm") {
    const bool shutter = text_in(event, "alarm") == "shutter";
    raise(
        shutter ? "shutter_not_closed" : "alarm", true,
        text + (shutter ? ". The dose goes on and is counted. Look at the instrument and close the "
                          "beam by hand; 'creel close-all' shows which shutters are closed"
                        : ""));
  } else if (what == "shutter_not_secured") {
    raise("shutter_not_closed", true,
          text + ". Nothing is exposed until it is shown closed. Look at the instrument");
  } else if (what == "disk_short" || what == "disk") {
    raise("disk_short", what == "disk", text);
  } else if (what == "resumed") {
    raise("session_taken_up", false, "creeld " + text);
  } else if (what == "ended") {
    waits_no_more();
    raise("series_ended", false, "the series ended: " + text + ". All frames are kept");
  } else if (what == "session_closed") {
    session_.clear();
  }
}

void AlertWatch::device(const std::string& name, const std::string& state,
                        const std::string& trouble) {
  devices_[name] = state;
  for (AlertChannel* channel : channels_) {
    channel->devices(devices_);
  }
  if (ending_ || state == "ready" || state == "stopped") {
    if (const auto away = away_.find(name); away != away_.end()) {
      cancel(away->second);
      away_.erase(away);
    }
    state == "ready" ? device_ready(name) : forget_trouble(name);
    return;
  }
  const std::string why = trouble.empty() ? "" : " (" + trouble + ")";
  device_in_trouble(name, why);
  if (state == "stale") {
    raise("device_lost", true,
          name + " does not answer" + why +
              ": its process is ended and started anew; a shutter's host closes it by itself",
          name + " stale");
  }
  const auto [away, fresh] = away_.try_emplace(name, 0);
  if (fresh) {
    after(limits_.device_away, away->second, [this, name, why] {
      raise("device_lost", true,
            name + " has not come back for " + time_span(in_seconds(limits_.device_away)) + why +
                "; creeld goes on trying. See 'creel devices', cable and power",
            name + " away");
    });
  }
}

/// Also one that comes back every time, and soon fails again.
void AlertWatch::device_in_trouble(const std::string& name, const std::string& why) {
  const auto [found, fresh] = trouble_.try_emplace(name);
  Trouble& trouble = found->second;
  trouble.why = why;
  cancel(trouble.settled);
  if (fresh) {
    after(limits_.device_failed, trouble.failed, [this, name, &trouble] {
      raise("device_failed", true,
            name + " has failed for good: for " + time_span(in_seconds(limits_.device_failed)) +
                " it never worked for " + time_span(in_seconds(limits_.device_settled)) +
                " at a stretch" + trouble.why +
                ". creeld goes on trying; nothing is exposed without it. See 'creel "
                "devices', cable, power, and the maker's own program",
            name + " failed");
    });
  }
}

void AlertWatch::device_ready(const std::string& name) {
  const auto found = trouble_.find(name);
  if (found != trouble_.end() && found->second.settled == 0) {
    after(limits_.device_settled, found->second.settled, [this, name] { forget_trouble(name); });
  }
}

void AlertWatch::forget_trouble(const std::string& name) {
  if (auto node = trouble_.extract(name); !node.empty()) {
    cancel(node.mapped().failed);
    cancel(node.mapped().settled);
  }
}

void AlertWatch::state(const json& series) {
  if (channels_.empty() || ending_) {
    return;
  }
  json now = {{"state", doing_of(series)},
              {"session", series.value("session", json())},
              {"text", series.value("doing", "")},
              {"exposures_done", series.value("exposures_done", json())},
              {"exposures", series.value("exposures", json())},
              {"frames_safe", series.value("frames_safe", json())},
              {"shutter_may_be_open", series.value("shutter_may_be_open", json())}};
  json known = told_;
  if (known.is_object()) {
    known.erase("utc");
  }
  if (now == known) {
    return;
  }
  now["utc"] = utc_text(clock_.utc_now_ns());
  told_ = now;
  for (AlertChannel* channel : channels_) {
    channel->state(told_);
  }
}

}  // namespace creel
