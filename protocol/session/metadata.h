// Every item of metadata in a session: what it is, where it lies, where it comes from, when it is
// there. verify() checks a session against this table; DEVELOPERS.md shows it, and a test fails
// when the two differ.
#pragma once

#include <array>
#include <cstdint>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/session/paths.h"
#include "protocol/session/reader.h"

namespace creel::session {

enum class From : std::uint8_t {
  series,  ///< typed by people, in the series document
  rig,     ///< typed by people, in the rig document
  device,  ///< a device said so: describe, settings, readings, frames
  daemon,  ///< creeld itself
  clock,
  ledger,
};
std::string_view from_name(From from);

enum class When : std::uint8_t {
  always,         ///< in whole.h5 and in NAME.h5
  known,          ///< where its source says it: not "unknown", not ""
  folded,         ///< only in NAME.h5, always
  folded_events,  ///< only in NAME.h5, where an event said it
};
std::string_view when_name(When when);

/// `path` may hold one of
///   DATA      the NXdata of the frames: event1/spectrum1/stack_0d, or event1/image1/stack_2d; of
///             lists of events the first, and only in NAME.h5
///   SIGNAL, INDEX, ENERGY   its signal, its index of frames, its energy axis
///   DEVICE    each device of the session; SHUTTER, GAUGE, STAGE each one of that kind on the rig
///   AREA      each area of the series, by number
/// `source`: where in its document an item comes from, as a JSON pointer with the same words in it
/// ("" = from nowhere in a document). A value that is there and known must be at `path`.
struct MetadataItem {
  const char* what;
  const char* path;
  From from;
  When when;
  const char* source = "";
};

inline constexpr std::array kMetadata = {
    // The entry.
    MetadataItem{"start of the session, UTC", "/entry/start_time", From::clock, When::always},
    MetadataItem{"end of the session, UTC", "/entry/end_time", From::clock, When::folded},
    MetadataItem{"title; the session's name where the series has none", "/entry/title",
                 From::series, When::always, "/title"},
    MetadataItem{"name of the session", "/entry/experiment_alias", From::daemon, When::always},
    MetadataItem{"notes", "/entry/experiment_description", From::series, When::known, "/notes"},
    MetadataItem{"operator", "/entry/user/name", From::series, When::known, "/operator"},
    MetadataItem{"series document, verbatim, with checksum", "/entry/note_series/data",
                 From::series, When::always},
    MetadataItem{"rig document, verbatim, with checksum", "/entry/note_rig/data", From::rig,
                 When::always},
    MetadataItem{"program and version that wrote the session", "/entry/profiling/program1/program",
                 From::daemon, When::always},
    // The specimen.
    MetadataItem{"whether the rig is simulated", "/entry/sample/is_simulation", From::rig,
                 When::always},
    MetadataItem{"specimen: name", "/entry/sample/name", From::series, When::known,
                 "/specimen/name"},
    MetadataItem{"specimen: description", "/entry/sample/description", From::series, When::known,
                 "/specimen/description"},
    MetadataItem{"specimen: form", "/entry/sample/physical_form", From::series, When::known,
                 "/specimen/form"},
    MetadataItem{"specimen: identifier", "/entry/sample/identifier_sample", From::series,
                 When::known, "/specimen/identifier"},
    MetadataItem{"specimen: elements", "/entry/sample/atom_types", From::series, When::known,
                 "/specimen/elements"},
    MetadataItem{"specimen: thickness", "/entry/sample/thickness", From::series, When::known,
                 "/specimen/thickness_nm"},
    MetadataItem{"specimen: density", "/entry/sample/density", From::series, When::known,
                 "/specimen/density_g_per_cm3"},
    MetadataItem{"specimen: preparation and support (a full time stamp also as "
                 "/entry/sample/preparation_date)",
                 "/entry/creel/by_hand/specimen/preparation", From::series, When::known,
                 "/specimen/preparation"},
    // The instrument.
    MetadataItem{"place of the instrument", "/entry/measurement/instrument/location", From::rig,
                 When::known, "/microscope/location"},
    MetadataItem{"instrument: maker", "/entry/measurement/instrument/fabrication/vendor", From::rig,
                 When::known, "/microscope/maker"},
    MetadataItem{"instrument: model", "/entry/measurement/instrument/fabrication/model", From::rig,
                 When::known, "/microscope/model"},
    MetadataItem{"instrument: serial number",
                 "/entry/measurement/instrument/fabrication/serial_number", From::rig, When::known,
                 "/microscope/serial"},
    MetadataItem{"electron source",
                 "/entry/measurement/instrument/ebeam_column/electron_source/emitter_type",
                 From::rig, When::known, "/microscope/emitter"},
    MetadataItem{"high tension",
                 "/entry/measurement/event1/instrument/ebeam_column/electron_source/voltage",
                 From::series, When::known, "/microscope/high_tension_kv"},
    MetadataItem{
        "emission current",
        "/entry/measurement/event1/instrument/ebeam_column/electron_source/emission_current",
        From::series, When::known, "/microscope/emission_current_na"},
    MetadataItem{"camera length", "/entry/measurement/event1/instrument/optics/camera_length",
                 From::series, When::known, "/microscope/camera_length_mm"},
    MetadataItem{"magnification", "/entry/measurement/event1/instrument/optics/magnification",
                 From::series, When::known, "/microscope/magnification"},
    MetadataItem{"convergence semi-angle",
                 "/entry/measurement/event1/instrument/optics/semi_convergence_angle", From::series,
                 When::known, "/microscope/convergence_semi_angle_mrad"},
    MetadataItem{"collection semi-angle",
                 "/entry/measurement/event1/instrument/optics/semi_collection_angle", From::series,
                 When::known, "/microscope/collection_semi_angle_mrad"},
    MetadataItem{"mode", "/entry/creel/by_hand/microscope/mode", From::series, When::known,
                 "/microscope/mode"},
    MetadataItem{"dispersion", "/entry/creel/by_hand/microscope/dispersion_ev_per_channel",
                 From::series, When::known, "/microscope/dispersion_ev_per_channel"},
    MetadataItem{"energy offset", "/entry/creel/by_hand/microscope/energy_offset_ev", From::series,
                 When::known, "/microscope/energy_offset_ev"},
    MetadataItem{"spot size", "/entry/creel/by_hand/microscope/spot_size", From::series,
                 When::known, "/microscope/spot_size"},
    MetadataItem{"entrance aperture of the spectrometer",
                 "/entry/creel/by_hand/microscope/entrance_aperture_mm", From::series, When::known,
                 "/microscope/entrance_aperture_mm"},
    MetadataItem{"apertures", "/entry/creel/by_hand/microscope/apertures", From::series,
                 When::known, "/microscope/apertures"},
    MetadataItem{"temperature of the specimen",
                 "/entry/creel/by_hand/microscope/specimen_temperature_k", From::series,
                 When::known, "/microscope/specimen_temperature_k"},
    MetadataItem{"laser to the cathode: wavelength",
                 "/entry/measurement/instrument/laser/wavelength", From::series, When::known,
                 "/laser/wavelength_nm"},
    MetadataItem{"laser to the cathode: repetition rate",
                 "/entry/measurement/instrument/laser/frequency", From::series, When::known,
                 "/laser/repetition_rate_khz"},
    MetadataItem{"laser to the cathode: pulse energy",
                 "/entry/measurement/instrument/laser/pulse_energy", From::series, When::known,
                 "/laser/pulse_energy_nj"},
    MetadataItem{"laser to the cathode: pulse width",
                 "/entry/measurement/instrument/laser/pulse_width", From::series, When::known,
                 "/laser/pulse_width_fs"},
    MetadataItem{"laser to the cathode: all that was typed", "/entry/creel/by_hand/laser",
                 From::series, When::known, "/laser"},
    MetadataItem{"pump laser: wavelength", "/entry/measurement/instrument/pump_laser/wavelength",
                 From::series, When::known, "/pump_laser/wavelength_nm"},
    MetadataItem{"pump laser: repetition rate",
                 "/entry/measurement/instrument/pump_laser/frequency", From::series, When::known,
                 "/pump_laser/repetition_rate_khz"},
    MetadataItem{"pump laser: pulse energy",
                 "/entry/measurement/instrument/pump_laser/pulse_energy", From::series, When::known,
                 "/pump_laser/pulse_energy_nj"},
    MetadataItem{"pump laser: pulse width", "/entry/measurement/instrument/pump_laser/pulse_width",
                 From::series, When::known, "/pump_laser/pulse_width_fs"},
    MetadataItem{"pump laser: all that was typed", "/entry/creel/by_hand/pump_laser", From::series,
                 When::known, "/pump_laser"},
    MetadataItem{"dose rate", "/entry/measurement/event1/instrument/optics/dose_rate", From::series,
                 When::known, "/beam/dose_rate_e_per_a2_s"},
    MetadataItem{"how the dose rate was measured",
                 "/entry/measurement/event1/instrument/optics/dose_management", From::series,
                 When::known, "/beam/method"},
    MetadataItem{"dose rate: relative uncertainty",
                 "/entry/creel/by_hand/beam/relative_uncertainty", From::series, When::known,
                 "/beam/relative_uncertainty"},
    MetadataItem{"dose rate: when measured", "/entry/creel/by_hand/beam/measured_at", From::series,
                 When::known, "/beam/measured_at"},
    MetadataItem{"dose rate with the cathode laser blocked",
                 "/entry/creel/by_hand/beam/residual_e_per_a2_s", From::series, When::known,
                 "/beam/residual_e_per_a2_s"},
    // What was asked of the series.
    MetadataItem{"blocks of exposures", "/entry/creel/by_hand/blocks", From::series, When::known,
                 "/blocks"},
    MetadataItem{"gating", "/entry/creel/by_hand/gating", From::series, When::known, "/gating"},
    MetadataItem{"guards", "/entry/creel/by_hand/guards", From::series, When::known, "/guards"},
    MetadataItem{"devices by their part", "/entry/creel/by_hand/devices", From::series, When::known,
                 "/devices"},
    MetadataItem{"after a restart: hold or continue", "/entry/creel/by_hand/after_restart",
                 From::series, When::known, "/after_restart"},
    MetadataItem{"references", "/entry/creel/by_hand/references", From::series, When::known,
                 "/references"},
    MetadataItem{"areas: name, grid, position, dose limit", "/entry/creel/areas/area_AREA",
                 From::series, When::known, "/areas/AREA"},
    MetadataItem{"dose of each area before the session", "/entry/creel/areas/dose_before",
                 From::ledger, When::always},
    // The devices.
    MetadataItem{"detector: name", "/entry/measurement/instrument/detector/name", From::series,
                 When::known, "/devices/detector"},
    MetadataItem{"detector: line or area", "/entry/measurement/instrument/detector/layout",
                 From::device, When::always},
    MetadataItem{"shutters: name", "/entry/measurement/instrument/actuator_SHUTTER/name", From::rig,
                 When::always},
    MetadataItem{"shutters: what they block",
                 "/entry/measurement/instrument/actuator_SHUTTER/blocks", From::rig, When::known,
                 "/SHUTTER/blocks"},
    MetadataItem{"shutters: whether closed without power",
                 "/entry/measurement/instrument/actuator_SHUTTER/fails_safe", From::rig,
                 When::known, "/SHUTTER/fails_safe"},
    MetadataItem{"gauges: name", "/entry/measurement/instrument/sensor_GAUGE/name", From::rig,
                 When::always},
    MetadataItem{"stages: name", "/entry/measurement/instrument/positioner_STAGE/name", From::rig,
                 When::always},
    MetadataItem{"devices: kind", "/entry/creel/devices/DEVICE/kind", From::rig, When::known,
                 "/DEVICE/kind"},
    MetadataItem{"devices: driver", "/entry/creel/devices/DEVICE/driver", From::rig, When::known,
                 "/DEVICE/driver"},
    MetadataItem{"devices: plugin", "/entry/creel/devices/DEVICE/plugin", From::device, When::known,
                 "/DEVICE/plugin"},
    MetadataItem{"devices: version of the driver", "/entry/creel/devices/DEVICE/version",
                 From::device, When::known, "/DEVICE/version"},
    MetadataItem{
        "devices: identity (maker, model, serial number, firmware), ranges, units, all that "
        "describe says",
        "/entry/creel/devices/DEVICE/describe", From::device, When::known, "/DEVICE/describe"},
    MetadataItem{"devices: settings asked for", "/entry/creel/devices/DEVICE/settings_set",
                 From::daemon, When::known, "/DEVICE/settings_set"},
    MetadataItem{"devices: every setting read back", "/entry/creel/devices/DEVICE/settings",
                 From::device, When::known, "/DEVICE/settings"},
    // Frames.
    MetadataItem{"frames", kPathFrames, From::device, When::always},
    MetadataItem{"frames as NXdata", "/entry/measurement/DATA/SIGNAL", From::device, When::always},
    MetadataItem{"energy axis as typed; channels where nothing was typed",
                 "/entry/measurement/DATA/ENERGY", From::series, When::always},
    MetadataItem{"sequence number of each frame", "/entry/measurement/DATA/INDEX", From::daemon,
                 When::folded},
    MetadataItem{"start of each frame", "/entry/measurement/DATA/frame_time", From::device,
                 When::folded},
    MetadataItem{"energy offset of each frame", "/entry/measurement/DATA/first_channel_energy",
                 From::series, When::folded},
    MetadataItem{
        "record of each frame: exposure, attempt, block, kind, area, flags, times, shutter "
        "opened and closed, dose, varied value, the detector's own count, checksums",
        kPathRecord, From::daemon, When::always},
    MetadataItem{"start and stop of each frame, as NXdetector",
                 "/entry/measurement/instrument/detector/start_time", From::device, When::folded},
    MetadataItem{"exposure time of each frame, as the detector says",
                 "/entry/measurement/instrument/detector/count_time", From::device, When::folded},
    MetadataItem{"exposure time of each frame, as asked",
                 "/entry/measurement/instrument/detector/count_time_set", From::series,
                 When::folded},
    MetadataItem{"kind of each frame", "/entry/measurement/instrument/detector/image_key",
                 From::daemon, When::folded},
    MetadataItem{"dose of each frame's exposure", "/entry/control/data", From::ledger,
                 When::folded},
    MetadataItem{"its standard deviation", "/entry/control/data_errors", From::ledger,
                 When::folded},
    MetadataItem{"dose of the area after each frame", "/entry/control/area_dose", From::ledger,
                 When::folded},
    // What happened.
    MetadataItem{"events: gauge readings, settings changed, moves, holds, restarts, faults",
                 kPathEvents, From::daemon, When::folded},
    MetadataItem{"readings of each gauge channel, as NXlog",
                 "/entry/measurement/instrument/sensor_GAUGE", From::device, When::folded_events},
    MetadataItem{"how it ended: outcome, reason, frames, dose of each area", kPathSummary,
                 From::daemon, When::folded},
    // How to read it.
    MetadataItem{"format, shape, pixel type, layout, devices, software, as one JSON text",
                 kPathSession, From::daemon, When::always},
    MetadataItem{"frames planned", "/entry/creel/frames_planned", From::series, When::always},
    MetadataItem{"world time at the start", "/entry/creel/start_world_ns", From::clock,
                 When::always},
    MetadataItem{"UTC at that instant", "/entry/creel/start_utc_ns", From::clock, When::always},
    MetadataItem{"program, version, build, compiler, host, kernel", "/entry/creel/software",
                 From::daemon, When::always},
};

/// One item in one session: the words of its path and source replaced.
struct ExpectedItem {
  const MetadataItem* item = nullptr;
  std::string path;
};
/// What must be in this session, from the table and from what its documents say.
std::vector<ExpectedItem> expected_metadata(const Documents& documents, bool folded);
/// Whether a value in a document says something: no null, "", "unknown", [] or {}.
bool known(const nlohmann::json& value);
/// The table as DEVELOPERS.md has it.
std::string metadata_table();

}  // namespace creel::session
