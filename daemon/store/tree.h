// Small helpers that write NeXus groups, fields and attributes with HDF5. They throw H5::Exception:
// call them inside session::with_hdf5 only.
//
// All strings are UTF-8 of fixed length: they lie in the file's checksummed metadata or in a data
// set of their own, never in a global heap, which has no checksum.
#pragma once

#include <H5Cpp.h>

#include <cstdint>
#include <nlohmann/json.hpp>
#include <span>
#include <string>
#include <string_view>
#include <vector>

#include "protocol/session/electron_event.h"
#include "protocol/session/layout.h"
#include "protocol/session/shape.h"

namespace creel::store {

using session::nexus_name;

H5::Group add_group(const H5::Group& parent, const std::string& name, const std::string& nx_class);

void set_attribute(const H5::H5Object& object, const std::string& name, std::string_view text);
void set_list_attribute(const H5::H5Object& object, const std::string& name,
                        const std::vector<std::string>& texts);
/// As unsigned 32-bit, the type that NeXus asks of *_indices.
void set_attribute(const H5::H5Object& object, const std::string& name, std::uint32_t value);

H5::DataSet add_text(const H5::Group& group, const std::string& name, std::string_view text);
/// Only what is known: nothing is written for "" and "unknown".
void add_known_text(const H5::Group& group, const std::string& name, std::string_view text);
/// `units` as UDUNITS reads them; "" for a pure number.
H5::DataSet add_number(const H5::Group& group, const std::string& name, double value,
                       std::string_view units);
H5::DataSet add_integer(const H5::Group& group, const std::string& name, std::int64_t value,
                        std::string_view units);
H5::DataSet add_unsigned(const H5::Group& group, const std::string& name, std::uint64_t value,
                         std::string_view units);
H5::DataSet add_boolean(const H5::Group& group, const std::string& name, bool value);

H5::DataSet add_array(const H5::Group& group, const std::string& name,
                      std::span<const double> values, std::string_view units);
H5::DataSet add_array(const H5::Group& group, const std::string& name,
                      std::span<const std::int64_t> values, std::string_view units);
H5::DataSet add_array(const H5::Group& group, const std::string& name,
                      std::span<const std::uint64_t> values, std::string_view units);
H5::DataSet add_array(const H5::Group& group, const std::string& name,
                      std::span<const std::int32_t> values, std::string_view units);

/// Any JSON value under `name`: an object becomes an NXcollection, numbers and texts become fields,
/// lists of numbers arrays; any other list is kept as its JSON text. null is left out. The unit
/// comes from the end of the name ("exposure_us").
void add_json(const H5::Group& group, const std::string& name, const nlohmann::json& value);
/// Units for a name that carries them; "" when it carries none.
std::string_view units_of(std::string_view name);
/// Hard link to `object` under another name, with the attribute `target` that NeXus asks for.
void add_link(const H5::H5File& file, const std::string& object, const std::string& link);

/// Of one pixel; of session::ElectronEvent, member by member, for a list of events.
H5::DataType pixel_type(session::Pixel pixel);
/// session::Record, member by member.
H5::CompType record_type();
/// Attributes that say the unit of each member of an electron event.
void describe_events(const H5::DataSet& events);
/// Attributes that say the unit of each member of a record.
void describe_record(const H5::DataSet& record);
/// Attributes of one of the data sets in a piece; `path` is one of kPieceFrames, kPieceRecord,
/// kPieceValid.
void describe_in_piece(const H5::DataSet& set, std::string_view path);

}  // namespace creel::store
