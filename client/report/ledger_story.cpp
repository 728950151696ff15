#include "client/report/ledger_story.h"

#include <algorithm>
#include <cstdint>
#include <map>
#include <string_view>

#include "protocol/base/text.h"

namespace creel::report {

using nlohmann::json;

namespace {

constexpr const char* kColumns[] = {
    "id",      "utc",      "area",    "kind",   "cause",      "dose_e_per_a2", "sigma_e_per_a2",
    "session", "exposure", "attempt", "intent", "entered_by", "reason"};

json member(const json& object, const char* name) {
  const auto found = object.is_object() ? object.find(name) : object.end();
  return object.is_object() && found != object.end() ? *found : json();
}

std::string text_in(const json& entry, const char* name) {
  const json value = member(entry, name);
  return value.is_string() ? value.get<std::string>() : "";
}

double number_in(const json& entry, const char* name) {
  const json value = member(entry, name);
  return value.is_number() ? value.get<double>() : 0;
}

std::int64_t whole_in(const json& entry, const char* name) {
  const json value = member(entry, name);
  return value.is_number_integer() ? value.get<std::int64_t>() : -1;
}

/// Which charge settles which intent.
using Settled = std::map<std::int64_t, std::int64_t>;

Settled settled_by(const std::vector<json>& entries) {
  Settled settled;
  for (const json& entry : entries) {
    if (text_in(entry, "kind") == "charge") {
      settled[whole_in(entry, "intent")] = whole_in(entry, "id");
    }
  }
  return settled;
}

std::string dose_text(const json& entry) {
  const std::string dose = number(number_in(entry, "dose_e_per_a2"));
  return member(entry, "sigma_e_per_a2").is_number()
             ? dose + " +/- " + number(number_in(entry, "sigma_e_per_a2"), 2) + " e/A^2"
             : dose + " e/A^2";
}

std::string opening_text(const json& entry) {
  static constexpr std::string_view kNeighbour = "neighbour of ";  // daemon/grids/neighbours.h
  if (text_in(entry, "cause").starts_with(kNeighbour)) {
    return text_in(entry, "session") + " on " + text_in(entry, "cause").substr(kNeighbour.size());
  }
  const std::int64_t exposure = whole_in(entry, "exposure");
  const std::int64_t attempt = whole_in(entry, "attempt");
  std::string text = ledger_cause_text(text_in(entry, "cause"));
  text += exposure < 0 ? "" : ", exposure " + std::to_string(exposure);
  text += attempt > 0 ? ", attempt " + std::to_string(attempt + 1) : "";
  return text + " of session " + text_in(entry, "session");
}

std::string intent_text(const json& entry, const Settled& settled) {
  const auto by = settled.find(whole_in(entry, "id"));
  return "intent: at most " + dose_text(entry) + " could be given by what followed (" +
         opening_text(entry) + "); " +
         (by != settled.end()
              ? "settled by entry " + std::to_string(by->second)
              : "NOT SETTLED: it counts in full until the exposure is over, or until creeld has "
                "shown every shutter closed at its next start");
}

std::string charge_text(const json& entry) {
  const std::string reason = text_in(entry, "reason");
  return "charge: " + dose_text(entry) + " were given (" + opening_text(entry) +
         "); settles entry " + std::to_string(whole_in(entry, "intent")) +
         (reason.empty() ? "" : "; " + reason);
}

std::string by_hand_text(const json& entry) {
  const bool correction = number_in(entry, "dose_e_per_a2") < 0;
  const std::string by = text_in(entry, "entered_by");
  return (correction ? "correction by hand: " : "by hand: ") + dose_text(entry) +
         (by.empty() ? "" : ", entered by " + by) + ": " + text_in(entry, "reason");
}

std::string sentence(const json& entry, const Settled& settled) {
  const std::string kind = text_in(entry, "kind");
  return kind == "intent"    ? intent_text(entry, settled)
         : kind == "charge"  ? charge_text(entry)
         : kind == "by_hand" ? by_hand_text(entry)
                             : "an entry of the unknown kind '" + kind + "'";
}

std::string quoted(const std::string& text) {
  if (text.find_first_of(",\"\r\n") == std::string::npos) {
    return text;
  }
  std::string result = "\"";
  for (const char c : text) {
    result += c;
    if (c == '"') {
      result += c;
    }
  }
  return result + "\"";
}

std::string cell(const json& value) {
  return value.is_null() ? "" : value.is_string() ? quoted(value.get<std::string>()) : value.dump();
}

}  // namespace

std::string ledger_cause_text(const std::string& cause) {
  static const std::map<std::string, std::string> words = {
      {"zero_loss", "zero-loss reference"},
      {"gain", "gain reference"},
      {"background", "background with the cathode laser blocked"},
      {"residual", "residual beam"},
      {"set_up", "live set-up"},
      {"by_hand", "by hand"}};
  const auto found = words.find(cause);
  return found == words.end() ? cause : found->second;
}

std::vector<std::string> explain_entries(const std::vector<json>& entries) {
  const Settled settled = settled_by(entries);
  std::vector<std::string> all;
  all.reserve(entries.size());
  for (const json& entry : entries) {
    all.push_back(std::to_string(whole_in(entry, "id")) + "  " + text_in(entry, "utc") + "  " +
                  text_in(entry, "area") + "  " + sentence(entry, settled));
  }
  return all;
}

std::string entries_csv(const std::vector<json>& entries) {
  const Settled settled = settled_by(entries);
  std::string text;
  for (const char* column : kColumns) {
    text += std::string(column) + ",";
  }
  text += "explained\r\n";
  for (const json& entry : entries) {
    for (const char* column : kColumns) {
      text += cell(member(entry, column)) + ",";
    }
    text += quoted(sentence(entry, settled)) + "\r\n";
  }
  return text;
}

}  // namespace creel::report
