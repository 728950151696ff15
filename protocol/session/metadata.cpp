#include "protocol/session/metadata.h"

#include <algorithm>
#include <cstddef>
#include <nlohmann/json.hpp>

namespace creel::session {

namespace {

using nlohmann::json;

const json& at(const json& object, const std::string& pointer) {
  static const json nothing;
  const json* here = &object;
  for (std::size_t begin = 1; begin <= pointer.size() && !pointer.empty();) {
    const auto end = std::min(pointer.find('/', begin), pointer.size());
    const auto key = pointer.substr(begin, end - begin);
    if (here->is_array()) {
      const bool number = !key.empty() && key.size() < 6 &&
                          key.find_first_not_of("0123456789") == std::string::npos;
      const std::size_t index = number ? std::stoul(key) : here->size();
      here = index < here->size() ? &(*here)[index] : &nothing;
    } else {
      const auto found = here->is_object() ? here->find(key) : here->end();
      here = here->is_object() && found != here->end() ? &*found : &nothing;
    }
    begin = end + 1;
  }
  return *here;
}

std::string replaced(std::string text, std::string_view word, const std::string& with) {
  const auto found = text.find(word);
  return found == std::string::npos ? text : text.replace(found, word.size(), with);
}

// The documents of one session, and the names that the words of a path stand for.
class Expectation {
 public:
  Expectation(const Documents& documents, bool folded)
      : documents_(documents),
        folded_(folded),
        series_(json::parse(documents.series_text, nullptr, false)),
        rig_(json::parse(documents.rig_text, nullptr, false)) {
    const auto& areas = at(series_, "/areas");
    for (std::size_t i = 0; areas.is_array() && i < areas.size(); ++i) {
      areas_.push_back(std::to_string(i));
    }
    for (const auto& device : at(rig_, "/devices")) {
      if (at(device, "/name").is_string()) {
        rig_devices_[device["name"].get<std::string>()] = device;
      }
    }
  }

  std::vector<ExpectedItem> all() const {
    std::vector<ExpectedItem> expected;
    for (const auto& item : kMetadata) {
      if (item.when == When::folded_events || (item.when == When::folded && !folded_)) {
        continue;
      }
      const std::string_view path = item.path;
      const auto each = [&](std::string_view word, const std::vector<std::string>& names) {
        for (const auto& name : names) {
          add(expected, item, word, name);
        }
        return true;
      };
      const auto has = [&path](std::string_view word) {
        return path.find(word) != std::string_view::npos;
      };
      if (has("DEVICE")) {
        each("DEVICE", devices());
      } else if (has("SHUTTER")) {
        each("SHUTTER", on_rig("shutter"));
      } else if (has("GAUGE")) {
        each("GAUGE", on_rig("gauge"));
      } else if (has("STAGE")) {
        each("STAGE", on_rig("stage"));
      } else if (has("AREA")) {
        each("AREA", areas_);
      } else if (!has("DATA") || folded_ || !documents_.shape.lists_events()) {
        add(expected, item, "DATA",
            spectra() ? "event1/spectrum1/stack_0d" : "event1/image1/stack_2d");
      }
    }
    return expected;
  }

 private:
  [[nodiscard]] bool spectra() const {
    return documents_.shape.rows == 1 || documents_.shape.lists_events();
  }

  void add(std::vector<ExpectedItem>& expected, const MetadataItem& item, std::string_view word,
           const std::string& name) const {
    if (item.when == When::known && !known(at(document(item), replaced(item.source, word, name)))) {
      return;
    }
    std::string path = replaced(item.path, word, word == "DATA" ? name : nexus_name(name));
    path = replaced(path, "SIGNAL", spectra() ? "intensity" : "real");
    path = replaced(path, "INDEX", spectra() ? "indices_spectrum" : "indices_image");
    path = replaced(path, "ENERGY", spectra() ? "axis_energy" : "axis_i");
    expected.push_back({&item, std::move(path)});
  }

  [[nodiscard]] const json& document(const MetadataItem& item) const {
    const std::string_view source = item.source;
    return source.starts_with("/DEVICE")    ? documents_.devices
           : source.starts_with("/SHUTTER") ? rig_devices_
           : item.from == From::rig         ? rig_
                                            : series_;
  }

  [[nodiscard]] std::vector<std::string> devices() const {
    std::vector<std::string> names;
    if (documents_.devices.is_object()) {
      for (const auto& [name, device] : documents_.devices.items()) {
        names.push_back(name);
      }
    }
    return names;
  }

  [[nodiscard]] std::vector<std::string> on_rig(std::string_view kind) const {
    std::vector<std::string> names;
    for (const auto& [name, device] : rig_devices_.items()) {
      if (at(device, "/kind") == json(kind)) {
        names.push_back(name);
      }
    }
    return names;
  }

  const Documents& documents_;
  bool folded_;
  json series_, rig_;
  json rig_devices_ = json::object();  ///< by name
  std::vector<std::string> areas_;
};

}  // namespace

std::string_view from_name(From from) {
  static constexpr std::array<std::string_view, 6> kNames = {"series", "rig",   "device",
                                                             "daemon", "clock", "ledger"};
  return kNames[static_cast<std::size_t>(from)];
}

std::string_view when_name(When when) {
  static constexpr std::array<std::string_view, 4> kNames = {"always", "when known", "when folded",
                                                             "when folded, from events"};
  return kNames[static_cast<std::size_t>(when)];
}

bool known(const json& value) {
  if (value.is_string()) {
    const auto& text = value.get_ref<const std::string&>();
    return !text.empty() && text != "unknown";
  }
  return !value.is_null() && !value.is_discarded() && !(value.is_structured() && value.empty());
}

std::vector<ExpectedItem> expected_metadata(const Documents& documents, bool folded) {
  return Expectation(documents, folded).all();
}

std::string metadata_table() {
  std::string table = "| what | where | from | when |\n|---|---|---|---|\n";
  for (const auto& item : kMetadata) {
    table += std::string("| ") + item.what + " | `" + item.path + "` | " +
             std::string(from_name(item.from)) + " | " + std::string(when_name(item.when)) + " |\n";
  }
  return table;
}

}  // namespace creel::session
