#include "daemon/store/nexus.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <cstdio>
#include <map>
#include <string>
#include <utility>

#include "daemon/store/tree.h"
#include "protocol/base/crc32c.h"
#include "protocol/base/text.h"
#include "protocol/session/paths.h"

namespace creel::store {

namespace {

using nlohmann::json;
using session::FrameShape;
using session::Record;

constexpr std::string_view kDose = "1/angstrom^2";

// Looks into documents that may lack anything.

const json& at(const json& object, std::string_view key) {
  static const json nothing;
  const auto found = object.is_object() ? object.find(key) : object.end();
  return object.is_object() && found != object.end() ? *found : nothing;
}

std::string text_at(const json& object, std::string_view key) {
  const auto& value = at(object, key);
  return value.is_string() ? value.get<std::string>() : std::string();
}

std::optional<double> number_at(const json& object, std::string_view key) {
  const auto& value = at(object, key);
  return value.is_number() ? std::optional(value.get<double>()) : std::nullopt;
}

void add_known_number(const H5::Group& group, const std::string& name, const json& object,
                      std::string_view key, std::string_view units) {
  if (const auto value = number_at(object, key)) {
    add_number(group, name, *value, units);
  }
}

// Only what asks for it is made: a group without a field says nothing.
struct Documents {
  explicit Documents(const SessionStart& start)
      : microscope(at(start.series, "microscope")),
        rig_microscope(at(start.rig, "microscope")),
        specimen(at(start.series, "specimen")),
        beam(at(start.series, "beam")) {}
  const json &microscope, &rig_microscope, &specimen, &beam;
};

void add_note(const H5::Group& entry, const std::string& name, const std::string& file_name,
              std::string_view text, std::string_view description) {
  const auto note = add_group(entry, name, "NXnote");
  const auto checksum = [&] {
    std::array<char, 16> hex{};
    std::snprintf(hex.data(), hex.size(), "%08x", crc32c(std::as_bytes(std::span(text))));
    return std::string(hex.data());
  }();
  set_attribute(add_text(note, "data", text), "checksum", checksum);
  add_text(note, "file_name", file_name);
  add_text(note, "type", "application/json");
  add_text(note, "description", description);
  add_text(note, "checksum", checksum);
  add_text(note, "algorithm", "CRC-32C");
}

void add_checked_text(const H5::Group& group, const std::string& name, const std::string& text) {
  std::array<char, 16> hex{};
  std::snprintf(hex.data(), hex.size(), "%08x", crc32c(std::as_bytes(std::span(text))));
  set_attribute(add_text(group, name, text), "checksum", hex.data());
}

bool simulated(const SessionStart& start) {
  const auto& devices = at(start.rig, "devices");
  const bool driver = std::any_of(devices.begin(), devices.end(), [](const json& device) {
    const auto name = text_at(device, "driver");
    return name == "simulated" || name == "blank";
  });
  return driver || at(start.rig, "accelerated") == json(true);
}

void add_sample(const H5::Group& entry, const SessionStart& start, const json& specimen) {
  const auto sample = add_group(entry, "sample", "NXsample");
  add_boolean(sample, "is_simulation", simulated(start));
  add_known_text(sample, "name", text_at(specimen, "name"));
  add_known_text(sample, "description", text_at(specimen, "description"));
  add_known_text(sample, "physical_form", text_at(specimen, "form"));
  add_known_text(sample, "identifier_sample", text_at(specimen, "identifier"));
  add_known_number(sample, "thickness", specimen, "thickness_nm", "nm");
  add_known_number(sample, "density", specimen, "density_g_per_cm3", "g/cm^3");
  std::string elements;
  for (const auto& element : at(specimen, "elements")) {
    if (element.is_string()) {
      elements += (elements.empty() ? "" : ", ") + element.get<std::string>();
    }
  }
  add_known_text(sample, "atom_types", elements);
  // NX_DATE_TIME is a full time stamp; a day alone stays in the document.
  const auto prepared = text_at(at(specimen, "preparation"), "date");
  if (prepared.find('T') != std::string::npos) {
    add_text(sample, "preparation_date", prepared);
  }
}

void add_program(const H5::Group& entry, const json& software) {
  const auto profiling = add_group(entry, "profiling", "NXcs_profiling");
  const auto program = add_group(profiling, "program1", "NXprogram");
  const auto name = text_at(software, "name");
  const auto field = add_text(program, "program", name.empty() ? "creeld" : name);
  set_attribute(field, "version", text_at(software, "version"));
}

void add_laser(const H5::Group& instrument, const std::string& name, const std::string& title,
               const json& laser) {
  if (!laser.is_object()) {
    return;
  }
  const auto source = add_group(instrument, name, "NXsource");
  add_text(source, "name", title);
  add_text(source, "type", "Laser");
  add_known_number(source, "wavelength", laser, "wavelength_nm", "nm");
  add_known_number(source, "frequency", laser, "repetition_rate_khz", "kHz");
  add_known_number(source, "pulse_energy", laser, "pulse_energy_nj", "nJ");
  add_known_number(source, "pulse_width", laser, "pulse_width_fs", "fs");
}

void add_shutter(const H5::Group& instrument, const json& device) {
  const auto name = text_at(device, "name");
  const auto group = add_group(instrument, nexus_name("actuator_" + name), "NXactuator");
  add_text(group, "name", name);
  add_text(group, "description", "shutter");
  add_known_text(group, "blocks", text_at(device, "blocks"));
  add_known_text(group, "fails_safe", text_at(device, "fails_safe"));
  set_attribute(group, "safety",
                "software shutter control is not a personnel-safety interlock (IEC 60825-1, "
                "ANSI Z136.1, local rules)");
}

void add_devices(const H5::Group& instrument, const json& rig) {
  for (const auto& device : at(rig, "devices")) {
    const auto kind = text_at(device, "kind");
    const auto name = text_at(device, "name");
    if (kind == "shutter") {
      add_shutter(instrument, device);
    } else if (kind == "gauge" || kind == "stage") {
      const auto group =
          kind == "gauge" ? add_group(instrument, nexus_name("sensor_" + name), "NXsensor")
                          : add_group(instrument, nexus_name("positioner_" + name), "NXpositioner");
      add_text(group, "name", name);
      add_text(group, "description", kind);
    }
  }
}

// Identity as the device itself says: {"identity": {"maker": ...}}, or the same keys directly.
void add_fabrication(const H5::Group& parent, const json& identity) {
  const std::array<std::pair<const char*, const char*>, 3> fields = {
      {{"maker", "vendor"}, {"model", "model"}, {"serial", "serial_number"}}};
  const bool known = std::any_of(fields.begin(), fields.end(), [&](const auto& field) {
    const auto text = text_at(identity, field.first);
    return !text.empty() && text != "unknown";
  });
  if (known) {
    const auto group = add_group(parent, "fabrication", "NXfabrication");
    for (const auto& [key, name] : fields) {
      add_known_text(group, name, text_at(identity, key));
    }
  }
}

std::string detector_name(const SessionStart& start) {
  return text_at(at(start.series, "devices"), "detector");
}

void add_detector(const H5::Group& instrument, const SessionStart& start) {
  const auto detector = add_group(instrument, "detector", "NXdetector");
  const auto name = detector_name(start);
  add_known_text(detector, "name", name);
  add_text(detector, "layout", start.shape.rows == 1 ? "linear" : "area");
  const auto& describe = at(at(start.devices, name), "describe");
  const auto& identity = at(describe, "identity");
  add_fabrication(detector, identity.is_object() ? identity : describe);
  if (start.shape.lists_events()) {  // where the events' columns and rows lie
    add_unsigned(detector, "columns", start.shape.columns, "");
    add_unsigned(detector, "rows", start.shape.rows, "");
  }
}

void add_instrument(const H5::Group& measurement, const SessionStart& start,
                    const Documents& documents) {
  const auto instrument = add_group(measurement, "instrument", "NXem_instrument");
  add_known_text(instrument, "location", text_at(documents.rig_microscope, "location"));
  add_fabrication(instrument, documents.rig_microscope);
  const auto column = add_group(instrument, "ebeam_column", "NXebeam_column");
  const auto source = add_group(column, "electron_source", "NXsource");
  add_text(source, "probe", "electron");
  add_known_text(source, "emitter_type", text_at(documents.rig_microscope, "emitter"));
  add_detector(instrument, start);
  add_devices(instrument, start.rig);
  add_laser(instrument, "laser", "laser to the cathode", at(start.series, "laser"));
  add_laser(instrument, "pump_laser", "pump laser to the specimen", at(start.series, "pump_laser"));
}

// The settings typed by hand, which no device reports.
void add_optics(const H5::Group& event, const Documents& documents) {
  const auto instrument = add_group(event, "instrument", "NXem_instrument");
  const auto column = add_group(instrument, "ebeam_column", "NXebeam_column");
  const auto source = add_group(column, "electron_source", "NXsource");
  add_known_number(source, "voltage", documents.microscope, "high_tension_kv", "kV");
  add_known_number(source, "emission_current", documents.microscope, "emission_current_na", "nA");
  const auto optics = add_group(instrument, "optics", "NXem_optical_system");
  add_known_number(optics, "camera_length", documents.microscope, "camera_length_mm", "mm");
  add_known_number(optics, "magnification", documents.microscope, "magnification", "");
  add_known_number(optics, "semi_convergence_angle", documents.microscope,
                   "convergence_semi_angle_mrad", "mrad");
  add_known_number(optics, "semi_collection_angle", documents.microscope,
                   "collection_semi_angle_mrad", "mrad");
  add_known_number(optics, "dose_rate", documents.beam, "dose_rate_e_per_a2_s", "1/(angstrom^2*s)");
  add_known_text(optics, "dose_management", text_at(documents.beam, "method"));
}

void add_axis(const H5::Group& data, const std::string& name, std::uint32_t place,
              std::span<const double> values, std::string_view units, std::string_view title) {
  const auto axis = add_array(data, name, values, units);
  set_attribute(axis, "long_name", title);
  set_attribute(data, name + "_indices", place);
}

std::vector<double> counted(std::uint64_t count, double first, double step) {
  std::vector<double> values(count);
  for (std::uint64_t i = 0; i < count; ++i) {
    values[i] = first + static_cast<double>(i) * step;
  }
  return values;
}

void add_energy(const H5::Group& data, const std::string& name, std::uint32_t place,
                std::uint64_t columns, const json& microscope) {
  const auto step = number_at(microscope, "dispersion_ev_per_channel");
  const auto first = number_at(microscope, "energy_offset_ev");
  if (step && first) {
    add_axis(data, name, place, counted(columns, *first + 0.5 * *step, *step), "eV",
             "energy loss as typed, middle of the channel (eV)");
  } else {
    add_axis(data, name, place, counted(columns, 0, 1), "", "channel");
  }
}

bool spectra(const FrameShape& shape) {
  return shape.rows == 1;
}

void add_process(const H5::Group& parent, const SessionStart& start) {
  const auto process = add_group(parent, "process", "NXprocess");
  add_known_text(process, "detector_identifier", detector_name(start));
}

// Lists of events, [frame][place]. NXevent_data has one endless list of each property; frames of a
// fixed size need one of whole events, so its words name the members instead (tree.h).
void add_event_data(const H5::Group& event, const SessionStart& start, const BigSet& frames) {
  const auto data = add_group(event, "event_data1", "NXevent_data");
  add_process(data, start);
  const auto set =
      data.createDataSet("events", pixel_type(start.shape.pixel), frames.space, frames.properties);
  describe_events(set);
  set_attribute(set, "long_name", "electrons, as the detector told them");
  set_attribute(data, "signal", "events");
}

// The frames, as NXdata: [spectrum][energy] or [image][row][energy].
void add_data(const H5::Group& event, const SessionStart& start, const FrameShape& shape,
              const json& microscope, const BigSet& frames) {
  const bool one_row = spectra(shape);
  const auto outer =
      add_group(event, one_row ? "spectrum1" : "image1", one_row ? "NXspectrum" : "NXimage");
  set_attribute(event, "default", one_row ? "spectrum1" : "image1");
  add_process(outer, start);
  const std::string stack = one_row ? "stack_0d" : "stack_2d";
  set_attribute(outer, "default", stack);
  const auto data = add_group(outer, stack, "NXdata");
  const std::string signal = one_row ? "intensity" : "real";
  const auto set =
      data.createDataSet(signal, pixel_type(shape.pixel), frames.space, frames.properties);
  set_attribute(set, "units", "counts");
  set_attribute(set, "long_name",
                start.shape.lists_events() ? "electrons of the frame by column"
                                           : "detector counts, as they came");
  set_attribute(data, "signal", signal);
  add_text(data, "title",
           text_at(start.series, "title").empty() ? start.name : text_at(start.series, "title"));
  if (one_row) {
    set_list_attribute(data, "axes", {".", "axis_energy"});
    add_energy(data, "axis_energy", 1, shape.columns, microscope);
  } else {
    set_list_attribute(data, "axes", {".", "axis_j", "axis_i"});
    add_axis(data, "axis_j", 1, counted(shape.rows, 0, 1), "", "row");
    add_energy(data, "axis_i", 2, shape.columns, microscope);
  }
}

json session_json(const SessionStart& start, const session::PieceLayout* pieces) {
  json all = {{"format", session::kFormat},
              {"name", start.name},
              {"rows", start.shape.rows},
              {"columns", start.shape.columns},
              {"pixel", pixel_name(start.shape.pixel)},
              {"codec", session::codec_name(start.codec)},
              {"most_events", start.shape.most_events},
              {"frames_planned", start.frames_planned},
              {"start_utc_ns", start.start_utc_ns},
              {"start_world_ns", start.start_world_ns},
              {"devices", start.devices},
              {"software", start.software},
              {"area_dose_before", start.area_dose_before}};
  if (pieces != nullptr) {
    all["pieces"] = {{"capacity", pieces->capacity},
                     {"frames_offset", pieces->frames_offset},
                     {"record_offset", pieces->record_offset},
                     {"valid_offset", pieces->valid_offset},
                     {"bytes", pieces->bytes},
                     {"head_crc", pieces->head_crc}};
  }
  return all;
}

void add_by_hand(const H5::Group& creel, const json& series) {
  const auto by_hand = add_group(creel, "by_hand", "NXcollection");
  set_attribute(by_hand, "description", "what people typed into the series document");
  if (series.is_object()) {
    for (const auto& [key, value] : series.items()) {
      add_json(by_hand, key, value);
    }
  }
}

void add_areas(const H5::Group& creel, const SessionStart& start) {
  const auto areas = add_group(creel, "areas", "NXcollection");
  add_array(areas, "dose_before", std::span(start.area_dose_before), kDose);
  const auto& list = at(start.series, "areas");
  for (std::size_t i = 0; i < list.size() && list.is_array(); ++i) {
    add_json(areas, "area_" + std::to_string(i), list[i]);
  }
}

void add_creel(const H5::Group& entry, const SessionStart& start, const BigSet& record,
               const session::PieceLayout* pieces) {
  const auto creel = add_group(entry, "creel", "NXcollection");
  set_attribute(
      creel, "description",
      "everything recorded that has no place in a NeXus class; see DEVELOPERS.md of Creel");
  const auto text =
      session_json(start, pieces).dump(-1, ' ', false, json::error_handler_t::replace);
  add_checked_text(creel, "session", text);
  add_unsigned(creel, "frames_planned", start.frames_planned, "");
  add_integer(creel, "start_utc_ns", start.start_utc_ns, "ns");
  add_integer(creel, "start_world_ns", start.start_world_ns, "ns");
  if (start.devices.is_object()) {
    add_json(creel, "devices", start.devices);
  }
  if (start.software.is_object()) {
    add_json(creel, "software", start.software);
  }
  add_by_hand(creel, start.series);
  add_areas(creel, start);
  const auto set = creel.createDataSet("record", record_type(), record.space, record.properties);
  describe_record(set);
}

void add_root(const H5::H5File& file, const SessionStart& start, const json& software) {
  const auto root = file.openGroup("/");
  set_attribute(root, "NX_class", "NXroot");
  set_attribute(root, "default", "entry");
  set_attribute(root, "creator", "creeld");
  set_attribute(root, "creator_version", text_at(software, "version"));
  set_attribute(root, "file_time", utc_text(start.start_utc_ns));
  set_attribute(root, "HDF5_Version",
                std::to_string(H5_VERS_MAJOR) + "." + std::to_string(H5_VERS_MINOR) + "." +
                    std::to_string(H5_VERS_RELEASE));
}

void add_user(const H5::Group& entry, const json& series) {
  const auto name = text_at(series, "operator");
  if (!name.empty() && name != "unknown") {
    add_text(add_group(entry, "user", "NXuser"), "name", name);
  }
}

}  // namespace

std::vector<hsize_t> frames_shape(const FrameShape& shape, hsize_t frames) {
  return shape.stored_rows() == 1
             ? std::vector<hsize_t>{frames, shape.stored_columns()}
             : std::vector<hsize_t>{frames, shape.stored_rows(), shape.stored_columns()};
}

std::string frames_path(const FrameShape& shape) {
  if (shape.lists_events()) {
    return "/entry/measurement/event1/event_data1/events";
  }
  return spectra(shape) ? "/entry/measurement/event1/spectrum1/stack_0d/intensity"
                        : "/entry/measurement/event1/image1/stack_2d/real";
}

FrameShape counted_shape(const FrameShape& events) {
  return {1, events.columns, session::Pixel::u32};
}

std::string counted_path() {
  return frames_path({1, 1, session::Pixel::u32});
}

void write_tree(const H5::H5File& file, const SessionStart& start, const BigSet& frames,
                const BigSet& record, const session::PieceLayout* pieces, const BigSet* counted) {
  const Documents documents(start);
  add_root(file, start, start.software);
  const auto entry = add_group(file.openGroup("/"), "entry", "NXentry");
  set_attribute(entry, "default", "measurement");
  add_text(entry, "start_time", utc_text(start.start_utc_ns));
  const auto title = text_at(start.series, "title");
  add_text(entry, "title", title.empty() ? start.name : title);
  add_text(entry, "experiment_alias", start.name);
  add_known_text(entry, "experiment_description", text_at(start.series, "notes"));
  add_sample(entry, start, documents.specimen);
  add_user(entry, start.series);
  add_note(entry, "note_series", start.name + ".series.json", start.series_text,
           "the series document, verbatim");
  add_note(entry, "note_rig", "rig.json", start.rig_text, "the rig document, verbatim");
  add_program(entry, start.software);
  const auto measurement = add_group(entry, "measurement", "NXem_measurement");
  set_attribute(measurement, "default", "event1");
  add_instrument(measurement, start, documents);
  const auto event = add_group(measurement, "event1", "NXem_event_data");
  add_text(event, "start_time", utc_text(start.start_utc_ns));
  add_optics(event, documents);
  if (start.shape.lists_events()) {
    add_event_data(event, start, frames);
    if (counted != nullptr) {
      add_data(event, start, counted_shape(start.shape), documents.microscope, *counted);
    }
  } else {
    add_data(event, start, start.shape, documents.microscope, frames);
  }
  add_link(file, frames_path(start.shape), session::kPathFrames);
  add_creel(entry, start, record, pieces);
}

namespace {

// image_key of NXdetector: 0 sample, 1 flat, 2 dark, 3 invalid, 4 background. Zero-loss references
// have none; 5 is ours, so that nobody sums them with the sample's.
std::int32_t image_key(const Record& record) {
  constexpr std::array<std::int32_t, 5> keys = {0, 2, 1, 5, 4};  // by ExposureKind
  const bool invalid = (record.flags & (session::kBroken | session::kIncomplete)) != 0;
  return invalid || record.kind >= keys.size() ? 3 : keys[record.kind];
}

template <class T, class Value>
std::vector<T> column(std::span<const Record> records, const Value& value) {
  std::vector<T> values;
  values.reserve(records.size());
  for (const auto& record : records) {
    values.push_back(static_cast<T>(value(record)));
  }
  return values;
}

double in_seconds(std::int64_t ns) {
  return static_cast<double>(ns) * 1e-9;
}

void add_times(const H5::Group& group, std::span<const Record> records, const SessionStart& start) {
  const auto since = [&](std::int64_t ns) { return in_seconds(ns - start.start_world_ns); };
  const auto zero = utc_text(start.start_utc_ns);
  const auto begin = column<double>(records, [&](const Record& r) { return since(r.start_ns); });
  const auto end =
      column<double>(records, [&](const Record& r) { return since(r.start_ns + r.exposure_ns); });
  set_attribute(add_array(group, "start_time", std::span(begin), "s"), "start", zero);
  set_attribute(add_array(group, "stop_time", std::span(end), "s"), "start", zero);
}

void add_detector_columns(const H5::Group& detector, std::span<const Record> records,
                          const SessionStart& start) {
  add_times(detector, records, start);
  const auto counted_for =
      column<double>(records, [](const Record& r) { return in_seconds(r.exposure_ns); });
  const auto asked =
      column<double>(records, [](const Record& r) { return in_seconds(r.exposure_set_ns); });
  const auto numbers = column<std::int64_t>(records, [](const Record& r) { return r.sequence; });
  const auto keys = column<std::int32_t>(records, image_key);
  add_array(detector, "count_time", std::span(counted_for), "s");
  add_array(detector, "count_time_set", std::span(asked), "s");
  add_array(detector, "sequence_number", std::span(numbers), "");
  set_attribute(
      add_array(detector, "image_key", std::span(keys), ""), "description",
      "0 specimen, 1 gain (flat), 2 dark, 3 invalid, 4 background, 5 zero-loss reference");
}

// Dose of each frame's exposure, as the monitor that NeXus asks of every entry.
void add_control(const H5::Group& entry, std::span<const Record> records,
                 const SessionStart& start) {
  const auto control = add_group(entry, "control", "NXmonitor");
  add_text(control, "description", "electron dose charged for the exposure of each frame");
  const auto dose = column<double>(records, [](const Record& r) { return r.dose; });
  const auto errors = column<double>(records, [](const Record& r) { return r.dose_errors; });
  const auto total = column<double>(records, [](const Record& r) { return r.area_dose; });
  add_array(control, "data", std::span(dose), kDose);
  add_array(control, "data_errors", std::span(errors), kDose);
  add_array(control, "area_dose", std::span(total), kDose);
  add_times(control, records, start);
}

void add_data_columns(const H5::Group& data, std::span<const Record> records,
                      const SessionStart& start, const FrameShape& shape) {
  const std::string index = spectra(shape) ? "indices_spectrum" : "indices_image";
  const auto numbers = column<std::int64_t>(records, [](const Record& r) { return r.sequence; });
  set_attribute(add_array(data, index, std::span(numbers), ""), "long_name",
                "sequence number of the frame");
  set_attribute(data, index + "_indices", std::uint32_t{0});
  const auto begin = column<double>(
      records, [&](const Record& r) { return in_seconds(r.start_ns - start.start_world_ns); });
  const auto times = add_array(data, "frame_time", std::span(begin), "s");
  set_attribute(times, "long_name", "start of the frame (s)");
  set_attribute(times, "start", utc_text(start.start_utc_ns));
  set_attribute(data, "frame_time_indices", std::uint32_t{0});
  const auto first = column<double>(records, [](const Record& r) { return r.first_channel_ev; });
  const auto offsets = add_array(data, "first_channel_energy", std::span(first), "eV");
  set_attribute(offsets, "long_name", "energy loss at which the first channel begins, as set (eV)");
  set_attribute(data, "first_channel_energy_indices", std::uint32_t{0});
  data.removeAttr("axes");
  if (spectra(shape)) {
    set_list_attribute(data, "axes", {index, "axis_energy"});
  } else {
    set_list_attribute(data, "axes", {index, "axis_j", "axis_i"});
  }
}

// What NXevent_data says of each pulse, here of each frame. `events` seen as one list, frame after
// frame, empty places included, is what event_index counts in.
void add_event_columns(const H5::Group& data, std::span<const Record> records,
                       const SessionStart& start) {
  const auto begin = column<double>(
      records, [&](const Record& r) { return in_seconds(r.start_ns - start.start_world_ns); });
  const auto zero = add_array(data, "event_time_zero", std::span(begin), "s");
  set_attribute(zero, "offset", utc_text(start.start_utc_ns));
  std::vector<std::uint64_t> index(records.size());
  for (std::size_t i = 0; i < index.size(); ++i) {
    index[i] = i * start.shape.most_events;
  }
  add_array(data, "event_index", std::span<const std::uint64_t>(index), "");
  const auto valid = column<std::uint64_t>(records, [](const Record& r) { return r.events; });
  set_attribute(add_array(data, "event_count", std::span(valid), ""), "description",
                "places of each frame that hold an event, from event_index on");
}

/// The readings of one channel of a gauge over the session.
struct Log {
  std::vector<double> times_s, values;
};

/// Of each gauge, one log a channel, from the events "gauges".
using Logs = std::map<std::string, std::vector<Log>>;

void add_readings(const json& event, std::int64_t start_world_ns, Logs& logs) {
  if (text_at(event, "event") != "gauges") {
    return;
  }
  for (auto& [gauge, channels] : logs) {
    const json readings = at(at(event, "readings"), gauge.c_str());
    for (std::size_t i = 0; i < std::min(channels.size(), readings.size()); ++i) {
      const auto value = number_at(readings[i], "value");
      const auto taken = number_at(readings[i], "taken_ns");
      if (value && taken && readings[i].value("valid", false)) {
        channels[i].times_s.push_back(1e-9 * (*taken - static_cast<double>(start_world_ns)));
        channels[i].values.push_back(*value);
      }
    }
  }
}

// Slow readings as NXlog: `value_log` of the sensor, or one log a channel where it has several.
void add_gauge_logs(const H5::Group& instrument, const SessionStart& start,
                    const std::string& events_text) {
  Logs all;
  for (const auto& [name, device] : start.devices.items()) {
    const json channels = at(at(device, "describe"), "channels");
    if (channels.is_array() && instrument.nameExists(nexus_name("sensor_" + name))) {
      all[name].resize(channels.size());
    }
  }
  session::EventParser parser(
      [&](const json& event) { add_readings(event, start.start_world_ns, all); }, {"\"gauges\""});
  parser.add(events_text);
  for (const auto& [name, logs] : all) {
    const json channels = start.devices[name]["describe"]["channels"];
    const auto sensor = instrument.openGroup(nexus_name("sensor_" + name));
    for (std::size_t i = 0; i < logs.size(); ++i) {
      if (logs[i].values.empty()) {
        continue;
      }
      const auto channel = text_at(channels[i], "name");
      const auto log = add_group(
          sensor, channels.size() == 1 ? "value_log" : nexus_name(channel + "_log"), "NXlog");
      add_text(log, "description", channel);
      set_attribute(add_array(log, "time", std::span(logs[i].times_s), "s"), "start",
                    utc_text(start.start_utc_ns));
      add_array(log, "value", std::span(logs[i].values), text_at(channels[i], "unit"));
    }
  }
}

std::string end_time(std::span<const Record> records, const SessionStart& start,
                     const json& summary) {
  const auto said = text_at(summary, "end_utc");
  if (!said.empty()) {
    return said;
  }
  auto last = start.start_utc_ns;
  for (const auto& record : records) {
    last = std::max(last, record.utc_ns + record.exposure_ns);
  }
  return utc_text(last);
}

}  // namespace

void write_end(const H5::H5File& file, const SessionStart& start, std::span<const Record> records,
               const std::string& events, const json& summary) {
  const auto entry = file.openGroup("/entry");
  const auto end = end_time(records, start, summary);
  add_text(entry, "end_time", end);
  add_text(file.openGroup("/entry/measurement/event1"), "end_time", end);
  const auto instrument = file.openGroup("/entry/measurement/instrument");
  add_detector_columns(instrument.openGroup("detector"), records, start);
  add_gauge_logs(instrument, start, events);
  add_control(entry, records, start);
  const auto signal = frames_path(start.shape);
  const auto data = file.openGroup(signal.substr(0, signal.rfind('/')));
  if (start.shape.lists_events()) {
    add_event_columns(data, records, start);
    const auto counted = counted_path();
    add_data_columns(file.openGroup(counted.substr(0, counted.rfind('/'))), records, start,
                     counted_shape(start.shape));
  } else {
    add_data_columns(data, records, start, start.shape);
  }
  const auto creel = file.openGroup("/entry/creel");
  const auto log = add_group(creel, "events", "NXnote");
  add_text(log, "data", events);
  add_text(log, "type", "text/plain");
  add_text(log, "file_name", session::kEventsName);
  add_text(log, "description",
           "one event a line: CRC-32C of the JSON text in 8 hexadecimal digits, a space, the text");
  add_checked_text(creel, "summary_text",
                   summary.dump(-1, ' ', false, json::error_handler_t::replace));
  if (summary.is_object()) {
    add_json(creel, "summary", summary);
  }
}

}  // namespace creel::store
