#include "daemon/store/tree.h"

#include <algorithm>
#include <array>
#include <cstddef>
#include <utility>

namespace creel::store {

namespace {

using session::ElectronEvent;
using session::Record;

H5::StrType text_type(std::size_t bytes) {
  H5::StrType type(H5::PredType::C_S1, std::max<std::size_t>(bytes, 1));
  type.setCset(H5T_CSET_UTF8);
  type.setStrpad(H5T_STR_NULLPAD);
  return type;
}

template <class T>
H5::DataSet add_scalar(const H5::Group& group, const std::string& name, const H5::DataType& type,
                       const T& value, std::string_view units) {
  auto set = group.createDataSet(name, type, H5::DataSpace(H5S_SCALAR));
  set.write(&value, type);
  set_attribute(set, "units", units);
  return set;
}

template <class T>
H5::DataSet add_values(const H5::Group& group, const std::string& name, const H5::DataType& type,
                       std::span<const T> values, std::string_view units) {
  const hsize_t count = values.size();
  auto set = group.createDataSet(name, type, H5::DataSpace(1, &count));
  if (count > 0) {
    set.write(values.data(), type);
  }
  set_attribute(set, "units", units);
  return set;
}

struct Unit {
  std::string_view suffix, units;
};
// How names end, and the unit in the notation of UDUNITS-2 (the one that NeXus refers to).
constexpr std::array<Unit, 41> kUnits = {{
    {"_per_a2_s", "1/(angstrom^2*s)"},
    {"_per_a2", "1/angstrom^2"},
    {"_per_cm3", "g/cm^3"},
    {"_ev_per_channel", "eV"},
    {"_per_s", "1/s"},
    {"_ns", "ns"},
    {"_us", "us"},
    {"_ms", "ms"},
    {"_fs", "fs"},
    {"_ps", "ps"},
    {"_s", "s"},
    {"_mev", "meV"},
    {"_ev", "eV"},
    {"_kev", "keV"},
    {"_mv", "mV"},
    {"_v", "V"},
    {"_kv", "kV"},
    {"_fa", "fA"},
    {"_pa", "pA"},
    {"_na", "nA"},
    {"_ua", "uA"},
    {"_ma", "mA"},
    {"_nj", "nJ"},
    {"_uj", "uJ"},
    {"_mw", "mW"},
    {"_pm", "pm"},
    {"_nm", "nm"},
    {"_um", "um"},
    {"_mm", "mm"},
    {"_mrad", "mrad"},
    {"_rad", "rad"},
    {"_deg", "degree"},
    {"_hz", "Hz"},
    {"_khz", "kHz"},
    {"_mhz", "MHz"},
    {"_k", "K"},
    {"_mbar", "mbar"},
    {"_hpa", "hPa"},
    {"_percent", "percent"},
    {"_bytes", "byte"},
    {"_counts", "count"},
}};

void add_object(const H5::Group& group, const std::string& name, const nlohmann::json& object) {
  const auto inside = add_group(group, name, "NXcollection");
  for (const auto& [key, value] : object.items()) {
    add_json(inside, key, value);
  }
}

void add_list(const H5::Group& group, const std::string& name, std::string_view units,
              const nlohmann::json& list) {
  const bool numbers = std::all_of(list.begin(), list.end(),
                                   [](const nlohmann::json& item) { return item.is_number(); });
  if (numbers) {
    const auto values = list.get<std::vector<double>>();
    add_array(group, name, values, units);
  } else {
    add_text(group, name, list.dump(-1, ' ', false, nlohmann::json::error_handler_t::replace));
  }
}

struct Member {
  const char* name;
  std::size_t offset;
  const H5::DataType& type;
  const char* units;
};

// The members of session::Record in order; all but `reserved`, which is an array.
const std::vector<Member>& members() {
  using P = H5::PredType;
  static const std::vector<Member> all = {
      {"magic", offsetof(Record, magic), P::STD_U32LE, ""},
      {"record_crc", offsetof(Record, record_crc), P::STD_U32LE, ""},
      {"sequence", offsetof(Record, sequence), P::STD_U64LE, ""},
      {"exposure", offsetof(Record, exposure), P::STD_U64LE, ""},
      {"attempt", offsetof(Record, attempt), P::STD_U64LE, ""},
      {"frame_bytes", offsetof(Record, frame_bytes), P::STD_U64LE, "byte"},
      {"frame_crc", offsetof(Record, frame_crc), P::STD_U32LE, ""},
      {"flags", offsetof(Record, flags), P::STD_U32LE, ""},
      {"block", offsetof(Record, block), P::STD_U32LE, ""},
      {"kind", offsetof(Record, kind), P::STD_U8LE, ""},
      {"where", offsetof(Record, where), P::STD_U8LE, ""},
      {"area", offsetof(Record, area), P::STD_U16LE, ""},
      {"start_ns", offsetof(Record, start_ns), P::STD_I64LE, "ns"},
      {"exposure_set_ns", offsetof(Record, exposure_set_ns), P::STD_I64LE, "ns"},
      {"exposure_ns", offsetof(Record, exposure_ns), P::STD_I64LE, "ns"},
      {"opened_ns", offsetof(Record, opened_ns), P::STD_I64LE, "ns"},
      {"closed_ns", offsetof(Record, closed_ns), P::STD_I64LE, "ns"},
      {"dose", offsetof(Record, dose), P::IEEE_F64LE, "1/angstrom^2"},
      {"dose_errors", offsetof(Record, dose_errors), P::IEEE_F64LE, "1/angstrom^2"},
      {"area_dose", offsetof(Record, area_dose), P::IEEE_F64LE, "1/angstrom^2"},
      {"vary_value", offsetof(Record, vary_value), P::IEEE_F64LE, ""},
      {"device_index", offsetof(Record, device_index), P::STD_U64LE, ""},
      {"device_stamp", offsetof(Record, device_stamp), P::STD_U64LE, ""},
      {"lost_before", offsetof(Record, lost_before), P::STD_U64LE, ""},
      {"utc_ns", offsetof(Record, utc_ns), P::STD_I64LE, "ns"},
      {"first_channel_ev", offsetof(Record, first_channel_ev), P::IEEE_F64LE, "eV"},
      {"events", offsetof(Record, events), P::STD_U64LE, ""},
      {"events_lost", offsetof(Record, events_lost), P::STD_U64LE, ""},
  };
  return all;
}

// Those that NeXus has a word for (NXevent_data) bear it.
const std::vector<Member>& event_members() {
  using P = H5::PredType;
  static const std::vector<Member> all = {
      {"event_time_offset", offsetof(ElectronEvent, time_ps), P::STD_U64LE, "ps"},
      {"column", offsetof(ElectronEvent, column), P::STD_U16LE, ""},
      {"row", offsetof(ElectronEvent, row), P::STD_U16LE, ""},
      {"pulse_height", offsetof(ElectronEvent, charge), P::STD_U32LE, ""},
  };
  return all;
}

void describe_members(const H5::DataSet& set, const std::vector<Member>& members,
                      std::string_view description) {
  std::vector<std::string> names, units;
  for (const auto& member : members) {
    names.emplace_back(member.name);
    units.emplace_back(member.units);
  }
  set_list_attribute(set, "member_names", names);
  set_list_attribute(set, "member_units", units);
  set_attribute(set, "units", "");
  set_attribute(set, "description", description);
}

H5::CompType event_type() {
  H5::CompType type(sizeof(ElectronEvent));
  for (const auto& member : event_members()) {
    type.insertMember(member.name, member.offset, member.type);
  }
  return type;
}

}  // namespace

H5::Group add_group(const H5::Group& parent, const std::string& name, const std::string& nx_class) {
  auto group = parent.createGroup(name);
  set_attribute(group, "NX_class", nx_class);
  return group;
}

void set_attribute(const H5::H5Object& object, const std::string& name, std::string_view text) {
  const auto type = text_type(text.size());
  const std::string bytes = text.empty() ? std::string(1, '\0') : std::string(text);
  object.createAttribute(name, type, H5::DataSpace(H5S_SCALAR)).write(type, bytes.data());
}

void set_list_attribute(const H5::H5Object& object, const std::string& name,
                        const std::vector<std::string>& texts) {
  std::size_t width = 1;
  for (const auto& text : texts) {
    width = std::max(width, text.size());
  }
  std::string bytes;
  for (auto text : texts) {
    text.resize(width, '\0');
    bytes += text;
  }
  const auto type = text_type(width);
  const hsize_t count = texts.size();
  object.createAttribute(name, type, H5::DataSpace(1, &count)).write(type, bytes.data());
}

void set_attribute(const H5::H5Object& object, const std::string& name, std::uint32_t value) {
  const H5::DataType& type = H5::PredType::STD_U32LE;
  object.createAttribute(name, type, H5::DataSpace(H5S_SCALAR)).write(type, &value);
}

H5::DataSet add_text(const H5::Group& group, const std::string& name, std::string_view text) {
  const auto type = text_type(text.size());
  const std::string bytes = text.empty() ? std::string(1, '\0') : std::string(text);
  auto set = group.createDataSet(name, type, H5::DataSpace(H5S_SCALAR));
  set.write(bytes.data(), type);
  return set;
}

void add_known_text(const H5::Group& group, const std::string& name, std::string_view text) {
  if (!text.empty() && text != "unknown") {
    add_text(group, name, text);
  }
}

H5::DataSet add_number(const H5::Group& group, const std::string& name, double value,
                       std::string_view units) {
  return add_scalar(group, name, H5::PredType::IEEE_F64LE, value, units);
}

H5::DataSet add_integer(const H5::Group& group, const std::string& name, std::int64_t value,
                        std::string_view units) {
  return add_scalar(group, name, H5::PredType::STD_I64LE, value, units);
}

H5::DataSet add_unsigned(const H5::Group& group, const std::string& name, std::uint64_t value,
                         std::string_view units) {
  return add_scalar(group, name, H5::PredType::STD_U64LE, value, units);
}

H5::DataSet add_boolean(const H5::Group& group, const std::string& name, bool value) {
  return add_scalar(group, name, H5::PredType::STD_U8LE, static_cast<std::uint8_t>(value ? 1 : 0),
                    "");
}

H5::DataSet add_array(const H5::Group& group, const std::string& name,
                      std::span<const double> values, std::string_view units) {
  return add_values(group, name, H5::PredType::IEEE_F64LE, values, units);
}

H5::DataSet add_array(const H5::Group& group, const std::string& name,
                      std::span<const std::int64_t> values, std::string_view units) {
  return add_values(group, name, H5::PredType::STD_I64LE, values, units);
}

H5::DataSet add_array(const H5::Group& group, const std::string& name,
                      std::span<const std::uint64_t> values, std::string_view units) {
  return add_values(group, name, H5::PredType::STD_U64LE, values, units);
}

H5::DataSet add_array(const H5::Group& group, const std::string& name,
                      std::span<const std::int32_t> values, std::string_view units) {
  return add_values(group, name, H5::PredType::STD_I32LE, values, units);
}

void add_json(const H5::Group& group, const std::string& key, const nlohmann::json& value) {
  std::string name = nexus_name(key);
  for (int twin = 2; group.nameExists(name); ++twin) {
    name = nexus_name(key).substr(0, 56) + "_" + std::to_string(twin);
  }
  const auto units = units_of(key);
  if (value.is_object()) {
    add_object(group, name, value);
  } else if (value.is_array()) {
    add_list(group, name, units, value);
  } else if (value.is_string()) {
    add_text(group, name, value.get<std::string>());
  } else if (value.is_boolean()) {
    add_boolean(group, name, value.get<bool>());
  } else if (value.is_number_unsigned()) {
    add_unsigned(group, name, value.get<std::uint64_t>(), units);
  } else if (value.is_number_integer()) {
    add_integer(group, name, value.get<std::int64_t>(), units);
  } else if (value.is_number()) {
    add_number(group, name, value.get<double>(), units);
  }
}

std::string_view units_of(std::string_view name) {
  for (const auto& unit : kUnits) {
    if (name.size() > unit.suffix.size() && name.ends_with(unit.suffix)) {
      return unit.units;
    }
  }
  return "";
}

void add_link(const H5::H5File& file, const std::string& object, const std::string& link) {
  file.link(H5L_TYPE_HARD, object, link);
  const auto set = file.openDataSet(object);
  if (!set.attrExists("target")) {
    set_attribute(set, "target", object);
  }
}

H5::DataType pixel_type(session::Pixel pixel) {
  switch (pixel) {
    case session::Pixel::u8:
      return H5::PredType::STD_U8LE;
    case session::Pixel::u16:
      return H5::PredType::STD_U16LE;
    case session::Pixel::u32:
      return H5::PredType::STD_U32LE;
    case session::Pixel::f32:
      return H5::PredType::IEEE_F32LE;
    case session::Pixel::event:
      return H5::DataType(event_type().getId());
  }
  return H5::PredType::STD_U8LE;
}

H5::CompType record_type() {
  H5::CompType type(sizeof(Record));
  for (const auto& member : members()) {
    type.insertMember(member.name, member.offset, member.type);
  }
  const hsize_t bytes = sizeof(Record::reserved);
  type.insertMember("reserved", offsetof(Record, reserved),
                    H5::ArrayType(H5::PredType::STD_U8LE, 1, &bytes));
  return type;
}

void describe_events(const H5::DataSet& events) {
  describe_members(events, event_members(),
                   "Electrons that the detector saw, one list a frame: the first n places, n being "
                   "`events` of the frame's record; the others are zero. Times from the start of "
                   "the frame; pulse_height in the detector's own unit, 0 = unknown.");
}

void describe_record(const H5::DataSet& record) {
  describe_members(record, members(),
                   "One record a frame. A frame exists if and only if magic is 0x31524643 and both "
                   "checksums (CRC-32C) match; any other place is empty. Times are world time.");
}

void describe_in_piece(const H5::DataSet& set, std::string_view path) {
  if (path == session::kPieceRecord) {
    describe_record(set);
  } else if (set.getTypeClass() == H5T_COMPOUND) {
    describe_events(set);
  } else {
    set_attribute(set, "units", path == session::kPieceFrames ? "counts" : "");
  }
}

}  // namespace creel::store
