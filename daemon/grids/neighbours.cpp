#include "daemon/grids/neighbours.h"

#include <algorithm>
#include <cmath>

#include "protocol/base/text.h"

namespace creel {

using nlohmann::json;

namespace {

constexpr double kLeastPart = 1e-6;
constexpr double kLeastDue = 1e-6;  // e/A^2: less is not worth an entry
constexpr std::size_t kPart = 500;  // entries read at a time
constexpr std::string_view kTail = "tail of ";

}  // namespace

std::vector<Neighbour> neighbours_of(const GridMap& map, const MapArea& lit,
                                     const BeamProfile& profile) {
  std::vector<Neighbour> found;
  const MapGrid* grid = map.find_grid(lit.grid);
  if (grid == nullptr) {
    return found;
  }
  for (const MapArea& area : grid->areas) {
    const double apart_um = distance_um(area.at, lit.at);
    // No shape reaches further than some diameters: the sum is not worked out for a whole grid.
    if (area.key() == lit.key() || apart_um * 1e3 > 5 * profile.diameter_nm) {
      continue;
    }
    const double part = part_of_dose(profile.shape, profile.diameter_nm, apart_um * 1e3);
    if (part >= kLeastPart) {
      found.push_back({&area, apart_um, part});
    }
  }
  std::sort(found.begin(), found.end(),
            [](const Neighbour& a, const Neighbour& b) { return a.distance_um < b.distance_um; });
  return found;
}

Result<void> Neighbours::settle(std::vector<TailCharge>& charged) {
  if (map_.profiles().empty()) {
    return {};  // what the ledger has is read once there is one
  }
  CREEL_TRY(read_new());
  if (revision_ != map_.revision()) {
    for (const auto& [exposed, given] : given_) {
      due_.emplace(std::get<0>(exposed), std::get<1>(exposed));
    }
    revision_ = map_.revision();
  }
  while (!due_.empty()) {
    const auto [session, area] = *due_.begin();
    if (const MapArea* lit = map_.find_area(area)) {
      CREEL_TRY(settle(session, *lit, charged));
    }
    due_.erase(due_.begin());
  }
  return {};
}

Result<void> Neighbours::read_new() {
  while (true) {
    auto part = ledger_.entries_after(read_to_, "", kPart);
    if (!part.ok()) {
      return part.error();
    }
    for (const json& entry : *part) {
      take(entry);
      read_to_ = entry["id"].get<std::int64_t>();
    }
    if (part->size() < kPart) {
      return {};
    }
  }
}

void Neighbours::take(const json& entry) {
  if (entry.value("kind", "") != "charge") {
    return;
  }
  const std::string area = entry["area"];
  const std::string cause = entry["cause"];
  const std::string session = entry["session"];
  const double dose = entry["dose_per_a2"];
  if (cause.starts_with(kCause)) {
    const std::string of = session.starts_with(kTail) ? session.substr(kTail.size()) : session;
    charged_[{of, cause.substr(std::string_view(kCause).size()), area}] += dose;
    return;
  }
  Given& given = given_[{session, area, profile_at(entry["utc"])}];
  given.dose += dose;
  given.sigma += entry["sigma_per_a2"].get<double>();  // one dose-rate measurement, as the ledger
  due_.emplace(session, area);
}

/// That which held then; what was exposed before any was stated has the first one.
std::size_t Neighbours::profile_at(const std::string& utc) const {
  std::size_t found = 0;
  for (std::size_t i = 0; i < map_.profiles().size(); ++i) {
    found = map_.profiles()[i].utc <= utc ? i : found;  // RFC 3339 in UTC sorts by time
  }
  return found;
}

Result<void> Neighbours::settle(const std::string& session, const MapArea& lit,
                                std::vector<TailCharge>& charged) {
  struct Due {
    double dose = 0, variance = 0;
    std::string how;
  };
  std::map<std::string, Due> dues;
  for (std::size_t i = 0; i < map_.profiles().size(); ++i) {
    const auto given = given_.find({session, lit.key(), i});
    if (given == given_.end() || !(given->second.dose > 0)) {
      continue;
    }
    const BeamProfile& profile = map_.profiles()[i];
    for (const Neighbour& one : neighbours_of(map_, lit, profile)) {
      Due& due = dues[one.area->key()];
      due.dose += one.part * given->second.dose;
      due.variance += std::pow(one.part * given->second.sigma, 2) +
                      std::pow(profile.relative_uncertainty * one.part * given->second.dose, 2);
      due.how = number(one.part) + " of what it was given (" +
                std::string(beam_shape_name(profile.shape)) + ", " + number(profile.diameter_nm) +
                " nm; centres " + number(one.distance_um) + " um apart)";
    }
  }
  for (const auto& [area, due] : dues) {
    double& before = charged_[{session, lit.key(), area}];
    const Dose rest{due.dose - before};
    if (!(rest.value > kLeastDue)) {
      continue;
    }
    const Dose sigma{rest.value * std::sqrt(due.variance) / due.dose};
    IntentRequest request;
    request.area = area;
    request.bound = rest;
    request.session = std::string(kTail) + session;
    request.cause = kCause + lit.key();
    const std::string reason = "tail of the beam on " + lit.key() + ": " + due.how;
    auto intent = ledger_.intend(request);
    if (!intent.ok()) {
      return intent.error();
    }
    CREEL_TRY(ledger_.charge(*intent, rest, sigma, reason));
    // Not counted here: the entry itself is read by the next call, once.
    charged.push_back({area, rest, sigma, reason});
  }
  return {};
}

}  // namespace creel
