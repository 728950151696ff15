// The rules of the NeXus manual (https://manual.nexusformat.org: "Rules for structuring
// information", "NXdata", "Dates and times", "Linking") that a machine can check, on one HDF5 file.
// Inside the library only.
#pragma once

#include <H5Cpp.h>

#include <string>
#include <vector>

namespace creel::session {

struct RuleFault {
  std::string place;  ///< path of the object, or path@attribute
  std::string sentence;
};

/// Looks at every object once, never at the data of a data set that is not a short text; follows no
/// link out of the file. What lies in an NXcollection is free but for names, classes and units.
/// Throws H5::Exception when the file itself cannot be read.
std::vector<RuleFault> broken_nexus_rules(const H5::H5File& file);

/// Whether `text` is a date and time with its zone, as ISO 8601 and NeXus write it:
/// 2026-11-25T03:10:07[.250](Z|+01:00).
bool is_date_time(const std::string& text);
/// Whether NeXus allows the name for a group, a field or an attribute.
bool is_nexus_name(const std::string& name);

}  // namespace creel::session
