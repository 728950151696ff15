#include "protocol/session/nexus_rules.h"

#include <algorithm>
#include <array>
#include <cstdint>
#include <optional>
#include <regex>
#include <set>
#include <string_view>
#include <utility>

namespace creel::session {

namespace {

constexpr std::size_t kMostObjects = 100'000;
constexpr std::size_t kMostFaults = 200;
constexpr std::size_t kDeepest = 64;
constexpr std::size_t kLongestText = 4096;
constexpr std::size_t kLongestName = 63;
constexpr hsize_t kMostTexts = 64;
constexpr int kMostAxes = 32;

// Fields and attributes that are NX_DATE_TIME in the classes we use, where they are texts.
constexpr std::array<std::string_view, 8> kDates = {
    "start_time",       "end_time", "preparation_date",  "date", "file_time",
    "file_update_time", "start",    "cue_timestamp_zero"};

bool is_date_name(std::string_view name) {
  return std::find(kDates.begin(), kDates.end(), name) != kDates.end();
}

template <class Place>
std::optional<std::vector<std::string>> texts_in(const Place& place) {
  const auto type = place.getDataType();
  const auto space = place.getSpace();
  const auto count = space.getSimpleExtentNpoints();
  const bool fits = type.getClass() == H5T_STRING && count >= 1 &&
                    static_cast<hsize_t>(count) <= kMostTexts &&
                    (type.isVariableStr() || type.getSize() <= kLongestText);
  if (!fits) {
    return std::nullopt;
  }
  std::vector<std::string> texts;
  if (type.isVariableStr()) {
    return std::nullopt;  // a heap without checksum: not ours, and not looked into
  }
  std::string bytes(type.getSize() * static_cast<std::size_t>(count), '\0');
  if constexpr (std::is_same_v<Place, H5::Attribute>) {
    place.read(type, bytes.data());
  } else {
    place.read(bytes.data(), type);
  }
  for (std::size_t i = 0; i < static_cast<std::size_t>(count); ++i) {
    std::string one = bytes.substr(i * type.getSize(), type.getSize());
    one.resize(std::min(one.find('\0'), one.size()));
    texts.push_back(std::move(one));
  }
  return texts;
}

std::optional<std::vector<std::string>> texts_of(const H5::H5Object& object, const char* name) {
  return object.attrExists(name) ? texts_in(object.openAttribute(name)) : std::nullopt;
}

std::optional<std::string> text_of(const H5::H5Object& object, const char* name) {
  const auto all = texts_of(object, name);
  return all && all->size() == 1 ? std::optional((*all)[0]) : std::nullopt;
}

std::vector<hsize_t> extent_of(const H5::DataSet& set) {
  const auto space = set.getSpace();
  const int rank = space.getSimpleExtentType() == H5S_SIMPLE ? space.getSimpleExtentNdims() : 0;
  std::vector<hsize_t> extent(static_cast<std::size_t>(std::max(0, rank)));
  if (!extent.empty()) {
    space.getSimpleExtentDims(extent.data());
  }
  return extent;
}

bool numeric(const H5::DataSet& set) {
  const auto kind = set.getTypeClass();
  return kind == H5T_INTEGER || kind == H5T_FLOAT;
}

std::pair<unsigned long, std::uint64_t> identity(const H5::H5Object& object) {
  H5O_info_t info{};
  if (H5Oget_info2(object.getId(), &info, H5O_INFO_BASIC) < 0) {
    throw H5::GroupIException("H5Oget_info2", "no information");
  }
  return {info.fileno, info.addr};
}

class Rules {
 public:
  explicit Rules(const H5::H5File& file) : file_(file) {}

  std::vector<RuleFault> check() {
    const auto root = file_.openGroup("/");
    group(root, "", 0, false);
    if (class_of(root) != "NXroot") {
      fault("/", "its NX_class is not NXroot");
    }
    default_chain(root);
    return std::move(faults_);
  }

 private:
  void fault(const std::string& place, const std::string& sentence) {
    if (faults_.size() < kMostFaults) {
      faults_.push_back({place.empty() ? "/" : place, sentence});
    }
  }

  static std::string class_of(const H5::H5Object& group) {
    return text_of(group, "NX_class").value_or("");
  }

  void group(const H5::Group& group, const std::string& path, std::size_t depth, bool free) {
    if (!seen_.insert(identity(group)).second) {
      return;
    }
    const auto nx_class = class_of(group);
    if (!nx_class.starts_with("NX") || nx_class.size() < 3) {
      fault(path, "has no NX_class: every group of a NeXus file says its class");
    }
    const bool inside_free = free || nx_class == "NXcollection";
    attributes(group, path, inside_free);
    if (nx_class == "NXdata" && !free) {
      data(group, path);
    }
    const hsize_t count = group.getNumObjs();
    for (hsize_t i = 0; i < count && objects_ < kMostObjects; ++i) {
      member(group, group.getObjnameByIdx(i), path, depth, inside_free);
    }
    if (objects_ >= kMostObjects && !std::exchange(too_many_, true)) {
      fault(path, "the file has more than " + std::to_string(kMostObjects) +
                      " objects: the rest was not looked at");
    }
  }

  void member(const H5::Group& parent, const std::string& name, const std::string& path,
              std::size_t depth, bool free) {
    objects_ += 1;
    const std::string here = path + "/" + name;
    if (!is_nexus_name(name)) {
      fault(here,
            "is no name that NeXus allows: letters, digits, '_' and '.', not beginning or ending "
            "with '.', at most 63 characters");
    }
    H5L_info_t link{};
    if (H5Lget_info(parent.getId(), name.c_str(), &link, H5P_DEFAULT) < 0) {
      throw H5::GroupIException("H5Lget_info", "no information");
    }
    if (link.type == H5L_TYPE_SOFT) {
      if (H5Oexists_by_name(parent.getId(), name.c_str(), H5P_DEFAULT) <= 0) {
        fault(here, "is a link that leads nowhere");
      }
      return;  // what it leads to is looked at where it lies
    }
    if (link.type != H5L_TYPE_HARD) {
      fault(here, "is a link out of the file, and was not followed");
      return;
    }
    if (depth >= kDeepest) {
      fault(here, "lies deeper than " + std::to_string(kDeepest) + " groups: it was not looked at");
      return;
    }
    object(parent, name, here, depth, free);
  }

  void object(const H5::Group& parent, const std::string& name, const std::string& here,
              std::size_t depth, bool free) {
    switch (parent.childObjType(name)) {
      case H5O_TYPE_GROUP:
        group(parent.openGroup(name), here, depth + 1, free);
        return;
      case H5O_TYPE_DATASET:
        field(parent.openDataSet(name), name, here, free);
        return;
      default:
        fault(here, "is neither a group nor a field");
    }
  }

  void field(const H5::DataSet& set, const std::string& name, const std::string& here, bool free) {
    if (!seen_.insert(identity(set)).second) {
      return;
    }
    if (numeric(set) && !text_of(set, "units")) {
      fault(here, "is a number without the attribute units");
    }
    attributes(set, here, free);
    if (!free && is_date_name(name) && set.getTypeClass() == H5T_STRING) {
      const auto text = texts_in(set);
      if (!text || text->size() != 1 || !is_date_time(text->front())) {
        fault(here, "is not a date and time with its zone (ISO 8601)");
      }
    }
  }

  void attributes(const H5::H5Object& object, const std::string& here, bool free) {
    for (int i = 0; i < object.getNumAttrs(); ++i) {
      const auto attribute = object.openAttribute(static_cast<unsigned>(i));
      const auto name = attribute.getName();
      if (!is_nexus_name(name)) {
        fault(here + "@" + name, "is no name that NeXus allows");
      }
      if (!free && is_date_name(name)) {
        const auto text = texts_in(attribute);
        if (!text || text->size() != 1 || !is_date_time(text->front())) {
          fault(here + "@" + name, "is not a date and time with its zone (ISO 8601)");
        }
      }
      if (name == "target") {
        target(object, here);
      }
    }
  }

  // A link is a hard link, and its object says its first path.
  void target(const H5::H5Object& object, const std::string& here) {
    const auto path = text_of(object, "target").value_or("");
    const std::string place = here + "@target";
    if (!path.starts_with('/') || !leads_somewhere(path)) {
      fault(place, "leads to \"" + path + "\", and nothing is there");
      return;
    }
    const hid_t there = H5Oopen(file_.getId(), path.c_str(), H5P_DEFAULT);
    H5O_info_t info{};
    const bool read = there >= 0 && H5Oget_info2(there, &info, H5O_INFO_BASIC) >= 0;
    if (there >= 0) {
      H5Oclose(there);
    }
    if (!read ||
        std::pair<unsigned long, std::uint64_t>{info.fileno, info.addr} != identity(object)) {
      fault(place, "leads to \"" + path + "\", which is another object");
    }
  }

  // Every step of an absolute path, without leaving the file.
  [[nodiscard]] bool leads_somewhere(const std::string& path) const {
    for (std::size_t end = 1; end < path.size();) {
      end = std::min(path.find('/', end), path.size());
      const auto part = path.substr(0, end);
      H5L_info_t link{};
      if (H5Lexists(file_.getId(), part.c_str(), H5P_DEFAULT) <= 0 ||
          H5Lget_info(file_.getId(), part.c_str(), &link, H5P_DEFAULT) < 0 ||
          (link.type != H5L_TYPE_HARD && link.type != H5L_TYPE_SOFT) ||
          H5Oexists_by_name(file_.getId(), part.c_str(), H5P_DEFAULT) <= 0) {
        return false;
      }
      end += 1;
    }
    return path.size() > 1;
  }

  // The field `name` of a group, when it is one of its own.
  static std::optional<H5::DataSet> field_of(const H5::Group& group, const std::string& name) {
    const bool own = name.find('/') == std::string::npos && !name.empty() && name != ".";
    H5L_info_t link{};
    if (!own || H5Lexists(group.getId(), name.c_str(), H5P_DEFAULT) <= 0 ||
        H5Lget_info(group.getId(), name.c_str(), &link, H5P_DEFAULT) < 0 ||
        link.type != H5L_TYPE_HARD || group.childObjType(name) != H5O_TYPE_DATASET) {
      return std::nullopt;
    }
    return group.openDataSet(name);
  }

  void data(const H5::Group& group, const std::string& here) {
    const auto name = text_of(group, "signal");
    const auto signal = name ? field_of(group, *name) : std::nullopt;
    if (!signal) {
      fault(here + "@signal", name ? "names \"" + *name + "\", which is no field of this group"
                                   : std::string("is not there: every NXdata names its signal"));
      return;
    }
    const auto extent = extent_of(*signal);
    if (!numeric(*signal) || extent.empty() || extent.size() > kMostAxes) {
      fault(here + "/" + *name, "is no signal: a signal is numeric and has 1 to 32 axes");
      return;
    }
    axes(group, here, extent);
    indices(group, here, extent);
  }

  void axes(const H5::Group& group, const std::string& here, const std::vector<hsize_t>& extent) {
    const auto names = texts_of(group, "axes");
    if (!names || names->size() != extent.size()) {
      fault(here + "@axes", "must name one axis (or \".\") for each of the " +
                                std::to_string(extent.size()) + " dimensions of the signal");
      return;
    }
    for (std::size_t place = 0; place < names->size(); ++place) {
      const auto& name = (*names)[place];
      if (name == ".") {
        continue;
      }
      const auto axis = field_of(group, name);
      if (!axis) {
        fault(here + "@axes", "names \"" + name + "\", which is no field of this group");
        continue;
      }
      const auto length = extent_of(*axis);
      if (length.size() == 1 && length[0] != extent[place] && length[0] != extent[place] + 1) {
        fault(here + "/" + name, does_not_fit(length[0], extent[place]));
      }
      const auto places = places_of(group, name + "_indices");
      if (!places || std::find(places->begin(), places->end(), place) == places->end()) {
        fault(here + "@" + name + "_indices",
              "does not say dimension " + std::to_string(place) + ", where @axes has that axis");
      }
    }
  }

  static std::string does_not_fit(hsize_t length, hsize_t wanted) {
    return "has " + std::to_string(length) + " values for a dimension of " + std::to_string(wanted);
  }

  static std::optional<std::vector<std::uint64_t>> places_of(const H5::Group& group,
                                                             const std::string& name) {
    if (!group.attrExists(name)) {
      return std::nullopt;
    }
    const auto attribute = group.openAttribute(name);
    const auto count = attribute.getSpace().getSimpleExtentNpoints();
    if (attribute.getTypeClass() != H5T_INTEGER || count < 1 || count > kMostAxes) {
      return std::nullopt;
    }
    std::vector<std::uint64_t> places(static_cast<std::size_t>(count));
    attribute.read(H5::PredType::NATIVE_UINT64, places.data());
    return places;
  }

  void indices(const H5::Group& group, const std::string& here,
               const std::vector<hsize_t>& extent) {
    constexpr std::string_view kEnd = "_indices";
    for (int i = 0; i < group.getNumAttrs(); ++i) {
      const auto key = group.openAttribute(static_cast<unsigned>(i)).getName();
      if (!key.ends_with(kEnd)) {
        continue;
      }
      const auto name = key.substr(0, key.size() - kEnd.size());
      const auto axis = field_of(group, name);
      const auto places = places_of(group, key);
      const auto length = axis ? extent_of(*axis) : std::vector<hsize_t>{};
      if (!axis || !places || places->size() != length.size()) {
        fault(here + "@" + key,
              axis ? "must have one dimension number for each dimension of its axis"
                   : "belongs to an axis that is not there");
        continue;
      }
      for (std::size_t k = 0; k < length.size(); ++k) {
        const auto place = (*places)[k];
        if (place >= extent.size()) {
          fault(here + "@" + key, "names a dimension that the signal does not have");
        } else if (length[k] != extent[place] && length[k] != extent[place] + 1) {
          fault(here + "/" + name, does_not_fit(length[k], extent[place]));
        }
      }
    }
  }

  // Lists of events have nothing to plot before they are counted.
  [[nodiscard]] static bool has_events(const H5::Group& group) {
    for (hsize_t i = 0; i < group.getNumObjs(); ++i) {
      if (group.getObjTypeByIdx(i) == H5G_GROUP &&
          class_of(group.openGroup(group.getObjnameByIdx(i))) == "NXevent_data") {
        return true;
      }
    }
    return false;
  }

  // From the root by @default to an NXdata.
  void default_chain(const H5::Group& root) {
    H5::Group here = root;
    std::string path;
    for (std::size_t step = 0; step < kDeepest; ++step) {
      const auto nx_class = class_of(here);
      if (nx_class == "NXdata") {
        return;
      }
      const auto name = text_of(here, "default").value_or("");
      if (name.empty() && has_events(here)) {
        return;
      }
      const bool child = !name.empty() && name.find('/') == std::string::npos && name != "." &&
                         leads_somewhere(path + "/" + name) &&
                         here.childObjType(name) == H5O_TYPE_GROUP;
      if (!child) {
        fault(path + "/@default",
              name.empty() ? "is not there: the chain from / to the data to plot ends here"
                           : "names \"" + name + "\", which is no group here");
        return;
      }
      here = here.openGroup(name);
      path += "/" + name;
    }
    fault(path + "/@default", "the chain of defaults does not end");
  }

  const H5::H5File& file_;
  std::vector<RuleFault> faults_;
  std::set<std::pair<unsigned long, std::uint64_t>> seen_;
  std::size_t objects_ = 0;
  bool too_many_ = false;
};

int two_digits(const std::string& text, std::size_t at) {
  return 10 * (text[at] - '0') + (text[at + 1] - '0');
}

bool is_leap(int year) {
  return (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;
}

}  // namespace

bool is_nexus_name(const std::string& name) {
  const auto word = [](char c) {
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '_';
  };
  return !name.empty() && name.size() <= kLongestName && word(name.front()) && word(name.back()) &&
         std::all_of(name.begin(), name.end(), [&](char c) { return word(c) || c == '.'; });
}

bool is_date_time(const std::string& text) {
  static const std::regex form(R"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,9})?(Z|[+-]\d\d:\d\d))");
  if (text.size() > 40 || !std::regex_match(text, form)) {
    return false;
  }
  constexpr std::array<int, 12> kDays = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
  const int year = 100 * two_digits(text, 0) + two_digits(text, 2);
  const int month = two_digits(text, 5);
  const int day = two_digits(text, 8);
  if (month < 1 || month > 12 || day < 1) {
    return false;
  }
  const int longest =
      kDays[static_cast<std::size_t>(month - 1)] + (month == 2 && is_leap(year) ? 1 : 0);
  const bool zone = text.back() == 'Z' || (two_digits(text, text.size() - 5) < 24 &&
                                           two_digits(text, text.size() - 2) < 60);
  return day <= longest && two_digits(text, 11) < 24 && two_digits(text, 14) < 60 &&
         two_digits(text, 17) <= 60 && zone;
}

std::vector<RuleFault> broken_nexus_rules(const H5::H5File& file) {
  return Rules(file).check();
}

}  // namespace creel::session
