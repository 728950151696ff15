// ledger: what creeld knows of the dose of each area. The client never opens the ledger's file: its
// lock is the daemon's.

#include <algorithm>

#include "client/cli/commands.h"
#include "client/cli/link.h"
#include "client/report/drawing.h"
#include "client/report/ledger_story.h"
#include "protocol/base/text.h"

namespace creel::cli {

using nlohmann::json;

namespace {

json params_for(const std::string& area) {
  return area.empty() ? json::object() : json{{"area", area}};
}

std::string causes_text(const json& area) {
  std::string text;
  for (const json& part : list_of(area, "causes")) {
    text += (text.empty() ? "" : ", ") + report::ledger_cause_text(text_of(part, "cause")) + " " +
            number(number_of(part, "dose_e_per_a2"));
  }
  return text;
}

std::string balances_text(const json& balances) {
  std::vector<std::vector<std::string>> rows{
      {"area", "charged e/A^2", "+/-", "open intents", "counts as", "charged for"}};
  for (const json& one : list_of(balances, "areas")) {
    rows.push_back({text_of(one, "area"), number(number_of(one, "charged_e_per_a2")),
                    number(number_of(one, "sigma_e_per_a2"), 2),
                    number(number_of(one, "intended_e_per_a2")),
                    number(number_of(one, "upper_e_per_a2")), causes_text(one)});
  }
  return rows.size() == 1
             ? "no dose on any area yet"
             : table(rows) +
                   "\nDose given by hand counts only once it is entered: creel enter-dose.";
}

/// All parts, one after another; a daemon that does not come to an end is not believed.
Result<std::vector<json>> all_entries(Link& link, const std::string& area) {
  std::vector<json> all;
  std::int64_t after = 0;
  while (true) {
    json params = params_for(area);
    params["after"] = after;
    auto part = link.call("ledger.entries", params);
    if (!part.ok()) {
      return part.error();
    }
    for (const json& entry : list_of(*part, "entries")) {
      all.push_back(entry);
    }
    if (!flag_of(*part, "more")) {
      return all;
    }
    const auto last = all.empty() ? 0 : static_cast<std::int64_t>(number_of(all.back(), "id"));
    if (last <= after) {
      return Error{ErrorCode::internal, "creeld gave entries of the ledger out of order"};
    }
    after = last;
  }
}

Answer exported(const std::string& file, const json& balances, const std::vector<json>& entries) {
  const bool csv = file.ends_with(".csv");
  const json whole = {{"areas", list_of(balances, "areas")}, {"entries", entries}};
  const auto written = report::write_whole(
      file, csv ? report::entries_csv(entries)
                : whole.dump(1, ' ', false, json::error_handler_t::replace) + "\n");
  if (!written.ok()) {
    return failure("ledger", exit_of(written.error().code), written.error());
  }
  Answer answer;
  answer.object = {{"file", file}, {"entries", entries.size()}};
  answer.text = file + ": " + std::to_string(entries.size()) + " entries";
  return answer;
}

Answer explained(const std::vector<json>& entries) {
  Answer answer;
  const auto sentences = report::explain_entries(entries);
  answer.object["entries"] = json::array();
  for (std::size_t i = 0; i < entries.size(); ++i) {
    json entry = entries[i].is_object() ? entries[i] : json::object();
    entry["explained"] = sentences[i];
    answer.object["entries"].push_back(std::move(entry));
    answer.text += (i == 0 ? "" : "\n") + sentences[i];
  }
  if (entries.empty()) {
    answer.text = "no entries";
  }
  return answer;
}

}  // namespace

Answer ledger(const Common& common, const LedgerOrder& order) {
  if (!order.file.empty() && !order.file.ends_with(".csv") && !order.file.ends_with(".json")) {
    return failure("ledger", Exit::wrong,
                   {ErrorCode::invalid_request, "--export " + order.file +
                                                    ": must end in .json or .csv, which says what "
                                                    "is written"});
  }
  auto link = Link::open(common.socket);
  if (!link.ok()) {
    return unreachable("ledger", link.error());
  }
  auto balances = link->call("ledger.balance", params_for(order.area));
  if (!balances.ok()) {
    return failure("ledger", link->exit_for(balances.error()), balances.error());
  }
  if (!order.entries && order.file.empty()) {
    Answer answer;
    answer.object = *balances;
    answer.text = balances_text(*balances);
    return answer;
  }
  auto entries = all_entries(*link, order.area);
  if (!entries.ok()) {
    return failure("ledger", link->exit_for(entries.error()), entries.error());
  }
  return order.file.empty() ? explained(*entries) : exported(order.file, *balances, *entries);
}

}  // namespace creel::cli
