#include "drivers/replay/gauge.h"

namespace creel::replay {

using nlohmann::json;

std::vector<kit::Channel> Gauge::channels() const {
  std::vector<kit::Channel> made;
  for (const json& channel : common_.script().described.value("channels", json::array())) {
    made.push_back({channel.value("name", "unknown"), channel.value("unit", ""),
                    channel.value("description", "")});
  }
  return made;
}

/// The reading that is due, and the count moved past it; nullptr when none was recorded.
const GaugeRead* Gauge::next() {
  const std::vector<GaugeRead>& reads = common_.script().reads;
  auto& count = common_.place().count_of(common_.device());
  const std::uint64_t begun = common_.place().begun();
  std::uint64_t at = count;
  if (reads.empty()) {
    return nullptr;
  }
  if (at >= reads.size() || (at > 0 && reads[at].begun > begun)) {
    return &reads[at - 1];  // the daemon reads more often than it did
  }
  // Left out: readings before an earlier exposure that nobody asked for, when this one has its own.
  std::uint64_t own = at;
  while (own < reads.size() && reads[own].begun < begun) {
    ++own;
  }
  if (own < reads.size() && reads[own].begun == begun) {
    at = own;
  }
  count = at + 1;
  return &reads[at];
}

std::vector<creel_reading> Gauge::read() {
  const std::int64_t now = services_.now_ns();
  std::vector<creel_reading> made(channels().size(), creel_reading{0, -1, now, 0, 0});
  const GaugeRead* due = next();
  if (due == nullptr) {
    return made;
  }
  if (!due->readings.is_array()) {
    throw kit::Failure(CREEL_E_TIMEOUT, "as recorded: the gauge did not answer");
  }
  for (std::size_t i = 0; i < std::min(made.size(), due->readings.size()); ++i) {
    const json& one = due->readings[i];
    const json value = one.value("value", json());
    const json uncertainty = one.value("uncertainty", json());
    if (one.value("valid", false) && value.is_number()) {
      made[i].value = value.get<double>();
      made[i].valid = 1;
      made[i].uncertainty = uncertainty.is_number() ? uncertainty.get<double>() : -1;
    }
  }
  return made;
}

}  // namespace creel::replay
