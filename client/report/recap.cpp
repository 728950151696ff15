#include "client/report/recap.h"

#include <algorithm>
#include <cmath>
#include <set>
#include <utility>

#include "client/report/recap_timeline.h"
#include "client/report/session_parts.h"
#include "protocol/base/text.h"
#include "protocol/series/series.h"
#include "protocol/session/doses.h"

namespace creel::report {

using nlohmann::json;

namespace {

std::string string_or(const json& value, const std::string& otherwise) {
  return value.is_string() ? value.get<std::string>() : otherwise;
}

double number_or_0(const json& value) {
  return value.is_number() ? value.get<double>() : 0;
}

std::string counted(std::uint64_t n, const std::string& one, const std::string& many) {
  return std::to_string(n) + " " + (n == 1 ? one : many);
}

void count_frames(const session::Reader& reader, Recap& recap) {
  std::uint64_t next = 0;
  std::set<std::uint64_t> done;
  for (const session::Record& record : reader.records()) {
    const auto has = [&record](std::uint32_t flag) { return (record.flags & flag) != 0 ? 1U : 0U; };
    ++recap.frames;
    recap.broken += has(session::kBroken);
    recap.left_out += has(session::kTouchedByHold);
    recap.incomplete += has(session::kIncomplete);
    recap.saturated += has(session::kSaturated);
    recap.lost += record.lost_before + (record.sequence - next);
    next = record.sequence + 1;
    if (has(session::kBroken) == 0) {
      done.insert(record.exposure);
    }
  }
  recap.exposures_done = done.size();
  recap.damaged = reader.faults().size();
}

/// Standard deviation of what each area had before, as the event "started" says.
std::vector<std::optional<double>> sigmas_before(const session::EventLog& log) {
  std::vector<std::optional<double>> sigmas;
  for (const json& event : log.events) {
    if (event.value("event", json()) != json("started") || !event.contains("areas")) {
      continue;
    }
    for (const json& area : event["areas"]) {
      const json sigma = area.is_object() ? area.value("area_sigma_e_per_a2", json()) : json();
      sigmas.push_back(sigma.is_number() ? std::optional(sigma.get<double>()) : std::nullopt);
    }
    break;
  }
  return sigmas;
}

/// As the ledger adds: linearly within the session, in quadrature with what has other sources.
double sigma_of(const AreaAccount& account) {
  double session = 0, by_hand = 0;
  for (const session::CauseDose& part : account.dose.causes) {
    (part.cause == "by_hand" ? by_hand : session) += part.sigma;
  }
  return std::hypot(account.before_sigma.value_or(0), session, by_hand);
}

std::vector<AreaAccount> accounts_of(const session::Reader& reader, const session::EventLog& log,
                                     const json& series) {
  const auto sigmas = sigmas_before(log);
  const json areas = series.is_object() ? series.value("areas", json::array()) : json::array();
  std::vector<AreaAccount> all;
  for (session::AreaDose& dose : session::check_doses(reader, &log, [](const auto&) {})) {
    AreaAccount account;
    const std::size_t i = dose.area;
    account.before_sigma = i < sigmas.size() ? sigmas[i] : std::nullopt;
    if (areas.is_array() && i < areas.size() && areas[i].is_object()) {
      account.area_limit = number_or_0(areas[i].value("dose_limit_e_per_a2", json()));
    }
    account.series_limit = number_or_0(field_of(series, "guards", "dose_e_per_a2"));
    account.dose = std::move(dose);
    account.sigma = sigma_of(account);
    all.push_back(std::move(account));
  }
  return all;
}

std::string sentence(std::string text) {
  if (!text.empty() && text.back() != '.') {
    text += '.';
  }
  return text;
}

void tell_unfinished(Recap& recap, const Timeline& told) {
  const std::string name = recap.session;
  const std::string safe = counted(recap.frames, "frame is", "frames are") +
                           " on disk and readable as they are; no repair is needed to read them.";
  if (!told.holding.empty()) {
    recap.ended = sentence("It has not ended: it holds for a person: " + told.holding);
    recap.safe = "the series told its shutter to close before it held. " + safe;
    recap.next =
        "see to what it holds for, then 'creel continue' (opens the shutter) or 'creel stop'; if "
        "creeld does not run, start it first.";
    return;
  }
  recap.ended =
      "It has not ended: it runs, or creeld was ended in the middle; the last sign of "
      "life is of " +
      utc_text(recap.last_ns) + ".";
  recap.safe = safe;
  recap.next =
      "'creel status' tells whether it runs. If creeld is gone: start it, and it takes the "
      "series up as its file says, or 'creel recover' makes one file of " +
      name + ".";
}

void tell_end(Recap& recap, const Timeline& told, const session::Reader& reader) {
  const json& summary = reader.documents().summary;
  recap.outcome = told.outcome;
  std::string reason = told.reason;
  if (summary.is_object()) {
    recap.outcome = string_or(summary.value("outcome", json()), recap.outcome);
    reason = string_or(summary.value("reason", json()), reason);
  }
  if (recap.outcome.empty()) {
    tell_unfinished(recap, told);
  } else {
    recap.ended = sentence(recap.outcome + ": " + reason);
    recap.safe = counted(recap.frames, "frame", "frames") +
                 (recap.folded ? " in one file; the session is closed."
                               : "; the session is still a folder, readable as it is.");
    recap.next = recap.folded
                     ? "'creel verify' checks every frame, 'creel evaluate' gives the answer."
                     : "creeld closes it into one file; if creeld is gone: start it, or "
                       "'creel recover'.";
    if (recap.outcome == "dose") {
      recap.next += " The area is at its limit: choose a fresh one for more.";
    }
  }
  if (recap.damaged > 0) {
    recap.next =
        "part of the session is damaged: copy it elsewhere, then 'creel verify' says what. " +
        recap.next;
  }
  if (!told.not_closed.empty()) {
    recap.safe = "NOT SHOWN TO BE SAFE: " + sentence(told.not_closed) + " " + recap.safe;
    recap.next =
        "look at the instrument and close the beam by hand; 'creel close-all' shows which "
        "shutters are closed. " +
        recap.next;
  }
}

// --- The page

std::string clock_of(std::int64_t utc_ns) {
  return utc_text(utc_ns).substr(11, 8);
}

std::string day_of(std::int64_t utc_ns) {
  return utc_text(utc_ns).substr(0, 10);
}

bool ends_with(const std::string& text, const std::string& end) {
  return text.size() > end.size() && text.compare(text.size() - end.size(), end.size(), end) == 0;
}

/// "series_limit_e_per_a2": 1 as "series limit 1 e/A^2".
std::string number_text(const std::string& name, const json& value) {
  struct Unit {
    const char* suffix;
    const char* shown;
  };
  static constexpr Unit kUnits[] = {
      {"_e_per_a2", " e/A^2"}, {"_bytes", ""}, {"_s", ""}, {"_ev", " eV"}};
  std::string words = name;
  std::string shown = value.is_number()   ? number(value.get<double>(), 4)
                      : value.is_string() ? value.get<std::string>()
                                          : value.dump();
  for (const Unit& unit : kUnits) {
    if (value.is_number() && ends_with(name, unit.suffix)) {
      words.resize(words.size() - std::string(unit.suffix).size());
      if (unit.suffix == std::string("_bytes")) {
        shown = bytes_text(value.get<double>());
      } else if (unit.suffix == std::string("_s")) {
        shown = time_span(value.get<double>());
      } else {
        shown += unit.shown;
      }
      break;
    }
  }
  std::replace(words.begin(), words.end(), '_', ' ');
  return words + " " + shown;
}

std::string numbers_text(const json& numbers) {
  std::string text;
  for (const auto& [name, value] : numbers.items()) {
    if (value.is_number()) {
      text += (text.empty() ? "" : ", ") + number_text(name, value);
    }
  }
  return text.empty() ? "" : " [" + text + "]";
}

std::string moment_text(const Moment& moment) {
  const bool spans = moment.until_ns - moment.utc_ns >= 1'000'000'000;
  const std::string lasted = moment.count == 1 && moment.seconds >= 1 && moment.kind != "ran"
                                 ? " (" + time_span(std::round(moment.seconds)) + ")"
                                 : "";
  return "  " + clock_of(moment.utc_ns) +
         (spans ? "-" + clock_of(moment.until_ns) : std::string(9, ' ')) + "  " + moment.text +
         lasted + numbers_text(moment.numbers) + "\n";
}

std::string timeline_text(const Recap& recap) {
  std::string text, day;
  for (const Moment& moment : recap.timeline) {
    if (const std::string today = day_of(moment.utc_ns); today != day) {
      day = today;
      text += day + (text.empty() ? ", UTC" : "") + "\n";
    }
    text += moment_text(moment);
  }
  return text;
}

std::string cause_text(const std::string& cause) {
  static const std::pair<const char*, const char*> kWords[] = {
      {"zero_loss", "zero-loss references"},
      {"gain", "gain references"},
      {"background", "background (cathode laser blocked)"},
      {"residual", "residual beam at the end"},
      {"broken", "broken or lost exposures"},
      {"after_crash", "charged after a crash"},
      {"by_hand", "by hand"},
      {"neighbour", "tail of the beam on areas beside it"},
      {"meanwhile", "by hand or other sessions meanwhile"}};
  for (const auto& [name, words] : kWords) {
    if (cause == name) {
      return words;
    }
  }
  return cause;
}

std::string dose_line(const std::string& what, double dose, const std::optional<double>& sigma,
                      const std::string& more) {
  std::string line = "  " + what + std::string(what.size() < 38 ? 38 - what.size() : 1, ' ');
  const std::string shown = number(dose);
  line += shown + std::string(shown.size() < 10 ? 10 - shown.size() : 1, ' ');
  const std::string error = sigma ? "+/- " + number(*sigma, 2) : "+/- unknown";
  line += error;
  if (!more.empty()) {
    line += std::string(error.size() < 14 ? 14 - error.size() : 1, ' ') + more;
  }
  return line + "\n";
}

std::string account_text(const AreaAccount& account) {
  const session::AreaDose& dose = account.dose;
  std::string text =
      "area " + (dose.name.empty() ? std::to_string(dose.area) : dose.name) + ", dose in e/A^2";
  if (account.area_limit > 0) {
    text += "; limit " + number(account.area_limit);
  }
  if (account.series_limit > 0) {
    text += ", of this series " + number(account.series_limit);
  }
  text += "\n" + dose_line("before this session", dose.before,
                           dose.before > 0 ? account.before_sigma : std::optional(0.0), "");
  double sum = dose.before;
  for (const session::CauseDose& part : dose.causes) {
    sum += part.dose;
    const bool elsewhere = part.cause == "meanwhile";  // the session was told the sum alone
    text += dose_line(cause_text(part.cause), part.dose,
                      elsewhere ? std::nullopt : std::optional(part.sigma),
                      part.exposures > 0 ? counted(part.exposures, "exposure", "exposures") : "");
  }
  if (std::abs(dose.total - sum) > 1e-9 + 1e-6 * std::abs(dose.total)) {
    text += dose_line("not told by the session", dose.total - sum, std::nullopt,
                      "'creel ledger --entries' tells");
  }
  const double left = account.area_limit - dose.total;
  return text + dose_line(dose.told_to_the_end ? "in all" : "in all, up to the last frame",
                          dose.total, account.sigma,
                          account.area_limit > 0 ? (left >= 0 ? number(left) + " left"
                                                              : number(-left) + " ABOVE LIMIT")
                                                 : "");
}

std::string frames_text(const Recap& recap) {
  std::string text = counted(recap.frames, "frame", "frames") + " safe";
  const auto add = [&text](std::uint64_t n, const char* what) {
    text += n > 0 ? ", " + std::to_string(n) + " " + what : "";
  };
  add(recap.left_out, "left out of sums");
  add(recap.broken, "of broken exposures");
  add(recap.incomplete, "incomplete");
  add(recap.saturated, "saturated");
  add(recap.lost, "lost");
  add(recap.damaged, "places damaged");
  return text;
}

/// Control characters as spaces: events may hold texts of devices.
std::string printable(std::string text) {
  std::replace_if(
      text.begin(), text.end(),
      [](char c) { return (static_cast<unsigned char>(c) < 0x20 && c != '\n') || c == 0x7F; }, ' ');
  return text;
}

}  // namespace

Recap compose_recap(const session::Reader& reader, const session::EventLog& log, bool all) {
  const session::Documents& documents = reader.documents();
  const json series = json::parse(documents.series_text, nullptr, false);
  const json rig = json::parse(documents.rig_text, nullptr, false);
  Recap recap;
  recap.session = documents.name;
  recap.title = string_or(series.is_object() ? series.value("title", json()) : json(), "");
  recap.folded = reader.folded();
  recap.simulated = rig.is_object() && rig.value("accelerated", json()) == json(true);
  if (const auto parsed = parse_series(documents.series_text, documents.name); parsed.ok()) {
    recap.exposures_planned = Plan(*parsed).size();
  }
  count_frames(reader, recap);
  Timeline told = timeline_of(reader, log, series, rig, all);
  recap.began_ns = told.began_ns;
  recap.last_ns = told.last_ns;
  recap.areas = accounts_of(reader, log, series);
  tell_end(recap, told, reader);
  recap.timeline = std::move(told.moments);
  if (!log.bad_lines.empty()) {
    recap.ended += " " + counted(log.bad_lines.size(), "line", "lines") +
                   " of the event log cannot be read, so something may be missing here.";
  }
  return recap;
}

std::string recap_text(const Recap& recap) {
  std::string text = recap.session + (recap.title.empty() ? "" : ": " + recap.title) + "\n";
  text += day_of(recap.began_ns) + " " + clock_of(recap.began_ns) + " to " +
          (day_of(recap.last_ns) == day_of(recap.began_ns) ? "" : day_of(recap.last_ns) + " ") +
          clock_of(recap.last_ns) + " UTC, " +
          time_span(std::round(static_cast<double>(recap.last_ns - recap.began_ns) * 1e-9)) +
          (recap.simulated ? " (times of the simulated rig's own clock)" : "") + "\n";
  text += std::to_string(recap.exposures_done) +
          (recap.exposures_planned > 0 ? " of " + std::to_string(recap.exposures_planned) : "") +
          " exposures, " + frames_text(recap) + "\n\n";
  text += timeline_text(recap) + "\n";
  for (const AreaAccount& account : recap.areas) {
    text += account_text(account) + "\n";
  }
  text += "how it ended: " + recap.ended + "\nsafe: " + recap.safe + "\nnext: " + recap.next;
  return printable(std::move(text));
}

json to_json(const Recap& recap) {
  json timeline = json::array();
  for (const Moment& moment : recap.timeline) {
    timeline.push_back({{"utc", utc_text(moment.utc_ns)},
                        {"until_utc", utc_text(moment.until_ns)},
                        {"kind", moment.kind},
                        {"count", moment.count},
                        {"seconds", moment.seconds},
                        {"text", moment.text},
                        {"numbers", moment.numbers}});
  }
  json areas = json::array();
  for (const AreaAccount& account : recap.areas) {
    json causes = json::array();
    for (const session::CauseDose& part : account.dose.causes) {
      causes.push_back({{"cause", part.cause},
                        {"dose_e_per_a2", part.dose},
                        {"sigma_e_per_a2", part.sigma},
                        {"exposures", part.exposures}});
    }
    areas.push_back(
        {{"area", account.dose.name},
         {"before_e_per_a2", account.dose.before},
         {"before_sigma_e_per_a2", account.before_sigma ? json(*account.before_sigma) : json()},
         {"causes", causes},
         {"total_e_per_a2", account.dose.total},
         {"sigma_e_per_a2", account.sigma},
         {"area_limit_e_per_a2", account.area_limit},
         {"series_limit_e_per_a2", account.series_limit},
         {"told_to_the_end", account.dose.told_to_the_end}});
  }
  return {{"session", recap.session},
          {"title", recap.title},
          {"closed", recap.folded},
          {"simulated", recap.simulated},
          {"began_utc", utc_text(recap.began_ns)},
          {"last_utc", utc_text(recap.last_ns)},
          {"exposures_done", recap.exposures_done},
          {"exposures_planned", recap.exposures_planned},
          {"frames", recap.frames},
          {"frames_left_out", recap.left_out},
          {"frames_broken", recap.broken},
          {"frames_incomplete", recap.incomplete},
          {"frames_saturated", recap.saturated},
          {"frames_lost", recap.lost},
          {"damaged", recap.damaged},
          {"timeline", timeline},
          {"areas", areas},
          {"outcome", recap.outcome},
          {"ended", recap.ended},
          {"safe", recap.safe},
          {"next", recap.next}};
}

}  // namespace creel::report
