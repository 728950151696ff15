// Commands that are one question or order to creeld.

#include <cmath>

#include "client/cli/commands.h"
#include "client/cli/link.h"
#include "client/cli/progress.h"
#include "protocol/base/text.h"

namespace creel::cli {

using nlohmann::json;

namespace {

constexpr Duration kCloseLimit = seconds(60);

/// An order without a result worth showing.
Answer order(const Common& common, const std::string& what, const std::string& method,
             const json& params, const std::string& done) {
  auto called = call_once(what, common.socket, method, params);
  if (called.failed) {
    return *called.failed;
  }
  Answer answer;
  answer.text = done;
  return answer;
}

std::string device_details(const json& device) {
  std::string text;
  const auto add = [&text](const std::string& part) { text += (text.empty() ? "" : "; ") + part; };
  if (!text_of(device, "blocks").empty()) {
    add("blocks " + text_of(device, "blocks"));
  }
  if (!text_of(device, "fallback").empty()) {
    add("fall-back " + text_of(device, "fallback"));
  }
  if (device.contains("lease_ms")) {
    add("closes by itself " + time_span(number_of(device, "lease_ms") * 1e-3) +
        " after creeld falls silent");
  }
  if (number_of(device, "restarts") > 0) {
    add("restarted " + number(number_of(device, "restarts"), 12) + " times");
  }
  if (!text_of(device, "last_trouble").empty()) {
    add("last trouble: " + text_of(device, "last_trouble"));
  }
  return text;
}

std::string series_text(const json& series) {
  Progress progress;
  progress.take_status(series, 0);
  std::string text = progress.line(400);
  if (flag_of(series, "running")) {
    text += "\n" +
            table({{"session", text_of(series, "session")},
                   {"recorded in", text_of(series, "path")},
                   {"doing", text_of(series, "doing")},
                   {"shutter", flag_of(series, "shutter_may_be_open") ? "may be open" : "closed"}});
    return text;
  }
  const json last = member_of(series, "last");
  if (last.is_object()) {
    text += "; the last one ended: " + text_of(last, "outcome") + ", " + text_of(last, "path");
  }
  return text;
}

}  // namespace

Answer hold(const Common& common, const std::string& reason) {
  json params = json::object();
  if (!reason.empty()) {
    params["reason"] = reason;
  }
  return order(
      common, "hold", "series.hold", params,
      "The series holds, shutter closed, once the running exposure is over.\n"
      "Go on: creel continue. End it: creel stop. Close shutters at once: creel close-all.");
}

Answer go_on(const Common& common) {
  return order(common, "continue", "series.continue", json::object(),
               "The series goes on. Watch it: creel follow.");
}

Answer stop(const Common& common) {
  return order(common, "stop", "series.stop", json::object(),
               "The series ends once the running exposure is over; all frames are kept.\n"
               "Watch it close: creel follow --until-end.");
}

Answer devices(const Common& common) {
  auto called = call_once("devices", common.socket, "devices.list");
  if (called.failed) {
    return *called.failed;
  }
  Answer answer;
  answer.object = called.result;
  std::vector<std::vector<std::string>> rows{{"device", "kind", "driver", "state", ""}};
  for (const json& device : list_of(called.result, "devices")) {
    rows.push_back({text_of(device, "name"), text_of(device, "kind"), text_of(device, "driver"),
                    text_of(device, "state"), device_details(device)});
  }
  answer.text = table(rows) + "\n" + text_of(called.result, "safety", kNotAnInterlock);
  return answer;
}

Answer close_all(const Common& common) {
  const std::string by_hand =
      "close the beam by hand: the microscope's own valve or blanker, the laser's own shutter; "
      "then find out why. " +
      std::string(kNotAnInterlock);
  auto called =
      call_once("close-all", common.socket, "shutters.close_all", json::object(), kCloseLimit);
  if (called.failed) {
    called.failed->trouble += "\n  NO SHUTTER WAS SHOWN TO BE CLOSED: " + by_hand;
    return *called.failed;
  }
  Answer answer;
  answer.object = called.result;
  std::vector<std::vector<std::string>> rows;
  std::string open;
  for (const json& shutter : list_of(called.result, "shutters")) {
    const bool closed = flag_of(shutter, "closed");
    rows.push_back({text_of(shutter, "name"), closed ? "closed" : "NOT SHOWN TO BE CLOSED",
                    text_of(shutter, "text")});
    open += closed ? "" : (open.empty() ? "" : ", ") + text_of(shutter, "name", "unnamed");
  }
  answer.text = (rows.empty() ? "the rig has no shutter" : table(rows)) + "\n" + kNotAnInterlock;
  if (!open.empty() || !called.result.contains("shutters")) {
    answer.exit = Exit::trouble;
    answer.trouble =
        "creel close-all: not shown to be closed: " + (open.empty() ? "any shutter" : open) +
        "\n  safe: the others listed as closed; the dose goes on being charged until closure is "
        "shown."
        "\n  next: " +
        by_hand;
  }
  return answer;
}

Answer status(const Common& common) {
  auto called = call_once("status", common.socket, "daemon.status");
  if (called.failed) {
    return *called.failed;
  }
  Answer answer;
  answer.object = called.result;
  answer.text = "creeld " + text_of(called.result, "version", "of unknown version") + ", up " +
                time_span(number_of(called.result, "uptime_s")) + ", rig " +
                text_of(called.result, "rig", "unknown") +
                (flag_of(called.result, "accelerated") ? " (simulated, accelerated clock)" : "") +
                "\n" + series_text(member_of(called.result, "series"));
  for (const json& left : list_of(member_of(called.result, "series"), "unfinished")) {
    answer.text += "\n" + text_of(left, "text");
  }
  return answer;
}

Answer list(const Common& common) {
  auto called = call_once("list", common.socket, "session.list");
  if (called.failed) {
    return *called.failed;
  }
  Answer answer;
  answer.object = called.result;
  std::vector<std::vector<std::string>> rows{{"session", "state", "size"}};
  for (const json& session : list_of(called.result, "sessions")) {
    rows.push_back({text_of(session, "name"), text_of(session, "state"),
                    session.contains("bytes") ? bytes_text(number_of(session, "bytes")) : ""});
  }
  const std::string directory = text_of(called.result, "directory");
  answer.text =
      rows.size() == 1 ? "no sessions in " + directory : table(rows) + "\nin " + directory;
  return answer;
}

Answer enter_dose(const Common& common, const std::string& area, double dose, double sigma,
                  const std::string& reason) {
  return order(
      common, "enter-dose", "ledger.enter",
      {{"area", area}, {"dose_e_per_a2", dose}, {"sigma_e_per_a2", sigma}, {"reason", reason}},
      "entered for " + area + ": " + number(dose) + " +/- " + number(sigma) + " e/A^2 (" + reason +
          ")");
}

}  // namespace creel::cli
