#include "client/report/results_file.h"

#include <algorithm>
#include <array>
#include <cstdint>
#include <cstdio>
#include <span>
#include <utility>

#include "protocol/base/crc32c.h"
#include "protocol/base/text.h"
#include "protocol/session/hdf5.h"

namespace creel::report {

namespace {

using analysis::Evaluation;
using nlohmann::json;

constexpr std::size_t kGrowth_bytes = 1 << 16;

// --- Small pieces of NeXus. All strings are UTF-8 of fixed length, as in sessions. ---

H5::StrType text_type(std::size_t bytes) {
  H5::StrType type(H5::PredType::C_S1, std::max<std::size_t>(bytes, 1));
  type.setCset(H5T_CSET_UTF8);
  type.setStrpad(H5T_STR_NULLPAD);
  return type;
}

void set_attribute(const H5::H5Object& object, const std::string& name, const std::string& text) {
  const auto type = text_type(text.size());
  const std::string bytes = text.empty() ? std::string(1, '\0') : text;
  object.createAttribute(name, type, H5::DataSpace(H5S_SCALAR)).write(type, bytes.data());
}

void set_attribute(const H5::H5Object& object, const std::string& name,
                   std::vector<std::string> texts) {
  std::size_t width = 1;
  for (const std::string& text : texts) {
    width = std::max(width, text.size());
  }
  std::string bytes;
  for (std::string& text : texts) {
    text.resize(width, '\0');
    bytes += text;
  }
  const auto type = text_type(width);
  const hsize_t count = texts.size();
  object.createAttribute(name, type, H5::DataSpace(1, &count)).write(type, bytes.data());
}

void set_index(const H5::H5Object& object, const std::string& name, std::uint32_t value) {
  object.createAttribute(name, H5::PredType::STD_U32LE, H5::DataSpace(H5S_SCALAR))
      .write(H5::PredType::NATIVE_UINT32, &value);
}

/// Data sets without the time at which they were written.
H5::DSetCreatPropList without_times() {
  H5::DSetCreatPropList properties;
  if (H5Pset_obj_track_times(properties.getId(), false) < 0) {
    throw session::Hdf5Fault("H5Pset_obj_track_times");
  }
  return properties;
}

H5::Group add_group(const H5::Group& parent, const std::string& name, const std::string& nx_class) {
  auto group = parent.createGroup(name);
  set_attribute(group, "NX_class", nx_class);
  return group;
}

void add_text(const H5::Group& group, const std::string& name, const std::string& text) {
  const auto type = text_type(text.size());
  const std::string bytes = text.empty() ? std::string(1, '\0') : text;
  group.createDataSet(name, type, H5::DataSpace(H5S_SCALAR), without_times())
      .write(bytes.data(), type);
}

/// A count; `units` "" for a pure number.
void add_integer(const H5::Group& group, const std::string& name, std::int64_t value,
                 const std::string& units = "") {
  auto set = group.createDataSet(name, H5::PredType::STD_I64LE, H5::DataSpace(H5S_SCALAR),
                                 without_times());
  set.write(&value, H5::PredType::NATIVE_INT64);
  set_attribute(set, "units", units);
}

void add_number(const H5::Group& group, const std::string& name, double value) {
  auto set = group.createDataSet(name, H5::PredType::IEEE_F64LE, H5::DataSpace(H5S_SCALAR),
                                 without_times());
  set.write(&value, H5::PredType::NATIVE_DOUBLE);
  set_attribute(set, "units", std::string());
}

struct Column {
  const char* name;
  const char* long_name;
  const char* units;
  std::vector<double> values;
};

/// An NXdata: axis first, then the signal, then the others. Columns of another length than the axis
/// are left out: the evaluation has none of them.
void add_data(const H5::Group& entry, const std::string& name, const std::string& title,
              const std::vector<Column>& columns) {
  const Column& axis = columns.front();
  const Column& signal = columns.at(1);
  if (axis.values.empty()) {
    return;
  }
  const auto data = add_group(entry, name, "NXdata");
  set_attribute(data, "signal", signal.name);
  set_attribute(data, "axes", std::vector<std::string>{axis.name});
  set_index(data, std::string(axis.name) + "_indices", 0);
  add_text(data, "title", title);
  std::vector<std::string> more;
  for (const Column& column : columns) {
    if (column.values.size() != axis.values.size()) {
      continue;
    }
    const hsize_t count = column.values.size();
    auto set = data.createDataSet(column.name, H5::PredType::IEEE_F64LE, H5::DataSpace(1, &count),
                                  without_times());
    set.write(column.values.data(), H5::PredType::NATIVE_DOUBLE);
    set_attribute(set, "long_name", column.long_name);
    set_attribute(set, "units", column.units);
    const bool other = &column != &axis && &column != &signal;
    if (other && std::string(column.name).find("_errors") == std::string::npos) {
      more.emplace_back(column.name);
    }
  }
  if (!more.empty()) {
    set_attribute(data, "auxiliary_signals", more);
  }
}

void add_json(const H5::Group& parent, const std::string& name, const json& content) {
  const auto note = add_group(parent, name, "NXnote");
  add_text(note, "type", "application/json");
  add_text(note, "data", content.dump(1, ' ', false, json::error_handler_t::replace));
}

// --- What is in it. ---

/// When the newest of the sessions began: the evaluation cannot be older, and nothing else of its
/// date can be told from its inputs.
std::string date_of(const ResultsInput& input) {
  long long newest = input.specimen->documents.start_utc_ns;
  for (const SessionInput* reference : input.references) {
    newest = std::max<long long>(newest, reference->documents.start_utc_ns);
  }
  return utc_text(newest);
}

void add_input(const H5::Group& inputs, const std::string& name, const SessionInput& one) {
  const auto group = add_group(inputs, name, "NXcollection");
  add_text(group, "name", one.documents.name);
  add_text(group, "path", one.path);
  add_text(group, "start_time", utc_text(one.documents.start_utc_ns));
  const std::string& text = one.documents.series_text;
  std::array<char, 9> checksum{};
  std::snprintf(checksum.data(), checksum.size(), "%08x", crc32c(std::as_bytes(std::span(text))));
  add_text(group, "series_crc32c", checksum.data());
  add_integer(group, "series_bytes", static_cast<std::int64_t>(text.size()), "byte");
  add_text(group, "software", one.documents.software.dump());
  add_integer(group, "frames_damaged", static_cast<std::int64_t>(one.damaged));
  if (one.series.known_state) {
    add_text(group, "element", one.series.known_state->element);
    add_number(group, "oxidation_state", one.series.known_state->state);
  }
}

struct Step {
  const char* name;
  const char* what;
  json parameters, results;
};

json part_of(const json& all, const std::vector<const char*>& names) {
  json part = json::object();
  for (const char* name : names) {
    if (all.contains(name)) {
      part[name] = all[name];
    }
  }
  return part;
}

std::vector<Step> steps_of(const ResultsInput& input) {
  const json& all = input.results;
  const json options = to_json(input.options);
  json low_loss = all.value("low_loss", json::object());
  low_loss.erase("spectra");
  return {{"process_1_spectra",
           "frames to spectra: darks, gain, X-ray spikes, drift of the zero loss",
           {{"gain_session", input.gain_path.empty() ? json(nullptr) : json(input.gain_path)}},
           part_of(all, {"specimen", "references", "calibration"})},
          {"process_2_low_loss", "thickness, plasmon and M2,3 from the low loss",
           part_of(options, {"conditions"}), low_loss},
          {"process_3_edge",
           "background, plural scattering removed, white lines",
           {{"element", input.options.element},
            {"windows", all.value("windows", json())},
            {"options", part_of(options, {"loss_width_ev", "vary_background"})}},
           part_of(all, {"lines", "ratio", "ratio_withheld", "ratio_by_background_window"})},
          {"process_4_elements", "elements by their edges", part_of(options, {"conditions"}),
           part_of(all, {"elements"})},
          {"process_5_oxidation", "oxidation state at zero dose, and by other methods", options,
           part_of(all, {"oxidation", "oxidation_withheld", "by_three_areas",
                         "by_three_areas_withheld", "other_methods", "by_dose", "remarks"})}};
}

void add_steps(const H5::Group& entry, const ResultsInput& input) {
  std::int64_t index = 0;
  for (const Step& step : steps_of(input)) {
    const auto process = add_group(entry, step.name, "NXprocess");
    add_text(process, "program", "creel evaluate");
    add_text(process, "version", CREEL_VERSION);
    add_text(process, "date", date_of(input));
    add_integer(process, "sequence_index", ++index);
    add_text(process, "description", step.what);
    add_json(process, "note", step.parameters);
    add_json(process, "results", step.results);
  }
}

std::vector<double> of_dose(const Evaluation& made, double analysis::RatioAtDose::*member) {
  std::vector<double> values;
  for (const analysis::RatioAtDose& at : made.by_dose) {
    values.push_back(at.*member);
  }
  return values;
}

void add_spectra(const H5::Group& entry, const Evaluation& made) {
  using At = analysis::RatioAtDose;
  add_data(entry, "edge", "core loss of the specimen, all exposures",
           {{"energy", "energy loss", "eV", made.energy_ev},
            {"sum", "sum of aligned exposures", "count", made.sum},
            {"sum_errors", "one standard deviation", "count", made.sum_sigma},
            {"background", "power law", "count", made.background},
            {"edge", "background and plural scattering removed", "count", made.edge},
            {"edge_errors", "one standard deviation", "count", made.edge_sigma},
            {"steps", "steps under the white lines", "count", made.steps},
            {"reference_low", "low state within the fit", "count", made.reference_low},
            {"reference_high", "high state within the fit", "count", made.reference_high},
            {"fit", "sum of both", "count", made.fit},
            {"residual", "edge less fit", "count", made.residual},
            {"residual_errors", "one standard deviation", "count", made.residual_sigma}});
  const analysis::LowLoss& low = made.low_loss;
  add_data(entry, "single_losses", "low loss without plural scattering",
           {{"energy", "energy loss", "eV", low.energy_ev},
            {"single_losses", "single losses", "count", low.single},
            {"single_losses_errors", "one standard deviation", "count", low.single_sigma},
            {"plasmon_fit", "oscillator", "count", low.plasmon_fit},
            {"m_edge_fit", "M2,3 on the plasmon's tail", "count", low.m_edge_fit},
            {"m_edge_background", "the plasmon's tail", "count", low.m_edge_background}});
  add_data(
      entry, "by_dose", "white lines and oxidation state against dose",
      {{"dose", "dose, middle of the exposures", "1/angstrom^2", of_dose(made, &At::dose)},
       {"ratio", "L3/L2", "", of_dose(made, &At::ratio)},
       {"ratio_errors", "one standard deviation", "", of_dose(made, &At::sigma)},
       {"high_state_part", "part in the high state", "", of_dose(made, &At::x)},
       {"high_state_part_errors", "one standard deviation", "", of_dose(made, &At::sigma_x)},
       {"high_state_part_fitted", "of the fit over all doses", "", of_dose(made, &At::fitted_x)}});
}

void write(const H5::H5File& file, const Evaluation& made, const ResultsInput& input) {
  set_attribute(file, "NX_class", std::string("NXroot"));
  set_attribute(file, "default", std::string("entry"));
  const auto entry = add_group(file, "entry", "NXentry");
  if (!made.energy_ev.empty()) {
    set_attribute(entry, "default", std::string("edge"));
  }
  add_text(entry, "title", input.specimen->series.document.value("title", made.specimen.name));
  add_text(entry, "start_time", utc_text(input.specimen->documents.start_utc_ns));
  add_text(entry, "program_name", "creel evaluate");
  const auto inputs = add_group(entry, "inputs", "NXcollection");
  add_input(inputs, "specimen", *input.specimen);
  for (std::size_t i = 0; i < input.references.size(); ++i) {
    add_input(inputs, "reference_" + std::to_string(i + 1), *input.references[i]);
  }
  add_steps(entry, input);
  add_spectra(entry, made);
}

/// The bytes that the file would have on a disk.
std::string image_of(const H5::H5File& file) {
  file.flush(H5F_SCOPE_GLOBAL);
  const auto size = H5Fget_file_image(file.getId(), nullptr, 0);
  if (size <= 0) {
    throw session::Hdf5Fault("H5Fget_file_image");
  }
  std::string bytes(static_cast<std::size_t>(size), '\0');
  if (H5Fget_file_image(file.getId(), bytes.data(), bytes.size()) != size) {
    throw session::Hdf5Fault("H5Fget_file_image");
  }
  return bytes;
}

}  // namespace

json to_json(const analysis::EvaluationOptions& options) {
  const auto maybe = [](const std::optional<double>& value) {
    return value ? json(*value) : json(nullptr);
  };
  const analysis::Conditions& given = options.conditions;
  return {{"element", options.element},
          {"own_windows", options.windows.has_value()},
          {"beam_profile", options.profile == analysis::BeamProfile::flat ? "flat" : "gaussian"},
          {"dose_groups_at_most", options.dose_groups},
          {"axis_error_ev", options.axis_error_ev},
          {"loss_width_ev", options.loss_width_ev},
          {"vary_background", options.vary_background},
          {"damage_law", name(options.law)},
          {"width_error_ev2", options.width_error_ev2},
          {"two_window_curve_given", options.curve.has_value()},
          {"conditions",
           {{"high_tension_ev", maybe(given.high_tension_ev)},
            {"collection_rad", maybe(given.collection_rad)},
            {"convergence_rad", maybe(given.convergence_rad)},
            {"density_g_per_cm3", maybe(given.density_g_per_cm3)},
            {"elements", given.elements},
            {"composition", given.composition}}}};
}

Result<std::string> results_file(const Evaluation& evaluation, const ResultsInput& input) {
  std::string bytes;
  CREEL_TRY(session::with_hdf5("making the results file", ErrorCode::storage_failed, nullptr, [&] {
    H5::FileAccPropList in_memory;
    in_memory.setCore(kGrowth_bytes, false);
    const H5::H5File file("results", H5F_ACC_TRUNC, H5::FileCreatPropList::DEFAULT, in_memory);
    write(file, evaluation, input);
    bytes = image_of(file);
  }));
  return bytes;
}

}  // namespace creel::report
