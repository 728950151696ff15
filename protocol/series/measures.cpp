#include "protocol/series/measures.h"

#include <algorithm>
#include <cmath>

namespace creel {

using nlohmann::json;

namespace {

bool holds(const Series& series, std::initializer_list<std::string_view> any) {
  return std::any_of(series.elements.begin(), series.elements.end(),
                     [&](const std::string& element) {
                       return std::find(any.begin(), any.end(), element) != any.end();
                     });
}

}  // namespace

std::string_view measure_name(MeasureKind kind) {
  static constexpr std::string_view kNames[] = {
      "zero_loss_ev",   "zero_loss_fwhm_ev", "rate",  "t_over_lambda",
      "low_loss_shape", "oxygen_carbon",     "l3_ev", "white_line_ratio"};
  return kNames[static_cast<std::size_t>(kind)];
}

std::optional<Measure> FrameMeasures::find(MeasureKind wanted) const {
  const auto found = std::find_if(measures.begin(), measures.end(),
                                  [wanted](const Measure& one) { return one.kind == wanted; });
  return found == measures.end() ? std::nullopt : std::optional<Measure>(*found);
}

json measures_to_json(const FrameMeasures& measures) {
  json values = json::object();
  for (const Measure& one : measures.measures) {
    values[std::string(measure_name(one.kind))] = {
        {"value", one.value},
        {"sigma", std::isfinite(one.sigma) ? json(one.sigma) : json(nullptr)}};
  }
  return {{"exposure", measures.exposure},
          {"block", measures.block},
          {"kind", static_cast<int>(measures.kind)},
          {"where", static_cast<int>(measures.where)},
          {"area", measures.area},
          {"vary_value", measures.vary_value},
          {"area_dose_e_per_a2", measures.dose},
          {"frames", measures.frames},
          {"measures", values}};
}

std::optional<FrameMeasures> measures_from_json(const json& object) {
  const auto known = [&](const char* field) {
    const auto at = object.find(field);
    return at != object.end() && at->is_number();
  };
  for (const char* field : {"exposure", "block", "kind", "where", "area", "vary_value",
                            "area_dose_e_per_a2", "frames"}) {
    if (!object.is_object() || !known(field)) return std::nullopt;
  }
  FrameMeasures made;
  made.exposure = object["exposure"];
  made.block = object["block"];
  made.kind = static_cast<ExposureKind>(object["kind"].get<int>());
  made.where = static_cast<Where>(object["where"].get<int>());
  made.area = object["area"];
  made.vary_value = object["vary_value"];
  made.dose = object["area_dose_e_per_a2"];
  made.frames = object["frames"];
  const json values = object.value("measures", json::object());
  for (const MeasureKind kind : kMeasureKinds) {
    const auto at = values.find(std::string(measure_name(kind)));
    if (at == values.end() || !at->is_object() || !at->contains("value")) continue;
    const json& sigma = at->contains("sigma") ? at->at("sigma") : json(nullptr);
    if (!at->at("value").is_number()) continue;
    made.measures.push_back(
        {kind, at->at("value").get<double>(),
         sigma.is_number() ? sigma.get<double>() : std::numeric_limits<double>::quiet_NaN()});
  }
  return made;
}

std::uint64_t planned_measures(const Series& series, MeasureKind kind, std::uint32_t slice) {
  std::uint64_t specimen = 0;
  std::uint64_t slices = 0;
  std::uint64_t zero_loss = 0;  // wherever the beam is
  std::uint64_t low_loss = 0;   // through the specimen
  for (const Block& block : series.blocks) {
    const std::uint64_t values = block.vary ? block.vary->values.size() : 1;
    const auto add_zero_loss = [&](std::uint64_t frames) {
      zero_loss += frames;
      low_loss += block.where == Where::specimen ? frames : 0;
    };
    if (block.kind == ExposureKind::specimen) {
      specimen += values * block.count;
      slices += values * block.count / std::max(1U, slice);
    } else if (block.kind == ExposureKind::zero_loss) {
      add_zero_loss(values * block.count);
    }
    for (const Interleave& one : block.interleave) {
      if (one.kind == ExposureKind::zero_loss) {
        add_zero_loss(values * times_taken(one, block.count) * one.count);
      }
    }
  }
  switch (kind) {
    case MeasureKind::zero_loss_ev:
    case MeasureKind::zero_loss_fwhm_ev:
      return zero_loss;
    case MeasureKind::rate:
      return zero_loss + specimen;
    case MeasureKind::t_over_lambda:
    case MeasureKind::low_loss_shape:
      return low_loss;
    case MeasureKind::oxygen_carbon:
      return holds(series, {"C"}) && holds(series, {"O"}) ? specimen : 0;
    case MeasureKind::l3_ev:
    case MeasureKind::white_line_ratio:  // metals that daemon/analysis knows windows for
      return zero_loss > 0 && holds(series, {"Cr", "Mn", "Fe", "Co", "Ni", "Cu"}) ? slices : 0;
  }
  return 0;
}

}  // namespace creel
