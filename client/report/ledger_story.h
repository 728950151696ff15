// The entries of the dose ledger in words, and as a table for other programs. Pure; takes the
// entries as creeld's method ledger.entries gives them (protocol/rpc/openrpc.json), tolerant of
// what is missing.
#pragma once

#include <nlohmann/json.hpp>
#include <string>
#include <vector>

namespace creel::report {

/// One sentence for each entry, in the order given: what, when, for which session and exposure,
/// which entry it settles or is settled by, and why. An intent counts as not settled when no charge
/// for it is among `entries`, so give all entries of an area.
std::vector<std::string> explain_entries(const std::vector<nlohmann::json>& entries);

/// RFC 4180: one row an entry, a heading first, CR LF; the last column is the sentence.
std::string entries_csv(const std::vector<nlohmann::json>& entries);

/// "zero_loss" as "zero-loss reference", "by_hand" as "by hand".
std::string ledger_cause_text(const std::string& cause);

}  // namespace creel::report
