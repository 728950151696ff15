#include "drivers/simulated/reveal/reveal.h"

#include <cstdio>

#include "drivers/kit/config.h"
#include "drivers/kit/kit.h"
#include "drivers/simulated/world/laboratory_config.h"
#include "protocol/json/strict_json.h"
#include "protocol/series/rig.h"

namespace creel::simulated {
namespace {

using nlohmann::json;

Error refused(const std::string& text) {
  return {ErrorCode::refused, text};
}

/// Only members that are there and of the right kind: the series' schema may have grown since.
std::string text_in(const json& object, const char* name) {
  const auto found = object.find(name);
  return found != object.end() && found->is_string() ? found->get<std::string>() : std::string();
}

double number_in(const json& object, const char* name) {
  const auto found = object.find(name);
  return found != object.end() && found->is_number() ? found->get<double>() : 0.0;
}

Result<sim::Laboratory> laboratory_of(const Rig& rig, const std::string& detector) {
  const RigDevice* device = rig.find(detector);
  if (device == nullptr) {
    return refused("rig " + rig.name + " has no device \"" + detector +
                   "\", which the series names as its detector");
  }
  if (device->driver == "replay") {
    return refused("the frames were replayed from another session: reveal that one");
  }
  if (device->driver != "simulated") {
    return refused("the frames came from driver \"" + device->driver + "\" on rig " + rig.name +
                   ": only a simulated specimen has a truth that can be looked up");
  }
  try {
    // Only "world" is looked at; the rest of the device's config is the detector's business.
    json config = json::object();
    if (device->config.contains("world")) {
      config["world"] = device->config["world"];
    }
    kit::Config fields(config);
    return read_laboratory(fields);
  } catch (const kit::Failure& failure) {
    return Error{ErrorCode::invalid_request,
                 "rig " + rig.name + ", device " + detector + ": " + failure.what()};
  }
}

RevealedArea look_up(const sim::Laboratory& laboratory, std::uint64_t seed, const json& area) {
  RevealedArea found;
  found.area = text_in(area, "grid") + "/" + text_in(area, "name");
  const json position = area.value("position", json::object());
  found.x_um = number_in(position, "x");
  found.y_um = number_in(position, "y");
  const std::optional<std::size_t> which = sim::lying_at(laboratory, found.x_um);
  if (!which) {
    return found;
  }
  const sim::Truth truth = sim::truth_of(laboratory, *which, seed);
  const sim::Specimen& specimen = sim::specimen(laboratory, *which);
  found.hidden = {std::string(sim::specimen_name(laboratory, *which)),
                  truth.fe3_fraction,
                  truth.critical_dose,
                  truth.t_over_lambda,
                  specimen.mass_loss,
                  specimen.mass_loss_dose};
  return found;
}

std::string formatted(const char* format, double value) {
  char text[64];
  std::snprintf(text, sizeof text, format, value);
  return text;
}

}  // namespace

Result<Revealed> reveal(std::string_view rig_text, std::string_view series_text) {
  const Result<Rig> rig = parse_rig(rig_text, "the session's rig");
  if (!rig) {
    return rig.error();
  }
  const Result<json> series = parse_strict(series_text, {}, "the session's series");
  if (!series) {
    return series.error();
  }
  if (!series->is_object()) {
    return Error{ErrorCode::invalid_request, "the session's series is no JSON object"};
  }
  const json devices = series->value("devices", json::object());
  const Result<sim::Laboratory> laboratory = laboratory_of(*rig, text_in(devices, "detector"));
  if (!laboratory) {
    return laboratory.error();
  }
  Revealed revealed{
      rig->name, text_in(*series, "name"), rig->seed, laboratory->source.high_tension_v * 1e-3, {}};
  for (const json& area : series->value("areas", json::array())) {
    if (area.is_object()) {
      revealed.areas.push_back(look_up(*laboratory, rig->seed, area));
    }
  }
  return revealed;
}

std::string text_of(const Revealed& revealed) {
  std::string text = "For training: what was true at zero dose in \"" + revealed.series +
                     "\" on the simulated rig \"" + revealed.rig + "\" (seed " +
                     std::to_string(revealed.seed) + ").\n";
  for (const RevealedArea& area : revealed.areas) {
    text += area.area + "  stage x " + formatted("%.6g", area.x_um) + " um, y " +
            formatted("%.6g", area.y_um) + " um: ";
    if (!area.hidden) {
      text += "vacuum, nothing lies there\n";
      continue;
    }
    const Hidden& hidden = *area.hidden;
    text += hidden.specimen + ", Fe(III)/total Fe " + formatted("%.4f", hidden.fe3_fraction) +
            ", critical dose " + formatted("%.4g", hidden.critical_dose) + " e/A^2, t/lambda " +
            formatted("%.4f", hidden.t_over_lambda) + "\n";
  }
  return text;
}

json json_of(const Revealed& revealed) {
  json areas = json::array();
  for (const RevealedArea& area : revealed.areas) {
    json one = {{"area", area.area},
                {"position_um", {{"x", area.x_um}, {"y", area.y_um}}},
                {"specimen", nullptr}};
    if (area.hidden) {
      one["specimen"] = area.hidden->specimen;
      one["fe3_fraction"] = area.hidden->fe3_fraction;
      one["critical_dose_e_per_a2"] = area.hidden->critical_dose;
      one["t_over_lambda"] = area.hidden->t_over_lambda;
      one["mass_loss"] = area.hidden->mass_loss;
      one["mass_loss_dose_e_per_a2"] = area.hidden->mass_loss_dose;
    }
    areas.push_back(std::move(one));
  }
  return {{"rig", revealed.rig},
          {"series", revealed.series},
          {"seed", revealed.seed},
          {"high_tension_kv", revealed.high_tension_kv},
          {"areas", areas}};
}

}  // namespace creel::simulated
