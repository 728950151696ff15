#include "daemon/supervisor/supervisor.h"

#include <algorithm>

namespace creel {

using nlohmann::json;

Supervisor::Supervisor(const Rig& rig, std::string plugin_directory, DeviceHost::Parts parts,
                       SupervisionLimits limits) {
  for (const RigDevice& device : rig.devices) {
    const std::string name = device.name;
    DeviceHost::Listener listener;
    listener.on_state = [this, name](DeviceState state) {
      if (listener_.on_state) {
        listener_.on_state(name, state);
      }
    };
    listener.on_frames = [this, name] {
      if (listener_.on_frames) {
        listener_.on_frames(name);
      }
    };
    listener.on_event = [this, name](const std::string& event, const json& body) {
      if (listener_.on_event) {
        listener_.on_event(name, event, body);
      }
    };
    hosts_.push_back(std::make_unique<DeviceHost>(device,
                                                  plugin_directory + "/" + device.driver + ".so",
                                                  parts, limits, std::move(listener)));
  }
}

Supervisor::~Supervisor() = default;

void Supervisor::start() {
  for (auto& host : hosts_) {
    host->start();
  }
}

void Supervisor::stop() {
  for (auto& host : hosts_) {
    host->stop();
  }
}

DeviceHost* Supervisor::find(std::string_view name) {
  const auto found = std::find_if(hosts_.begin(), hosts_.end(),
                                  [&](const auto& host) { return host->device().name == name; });
  return found == hosts_.end() ? nullptr : found->get();
}

bool Supervisor::ready(const std::vector<std::string>& names) {
  return std::all_of(names.begin(), names.end(), [&](const std::string& name) {
    DeviceHost* host = find(name);
    return host != nullptr && host->state() == DeviceState::ready;
  });
}

void Supervisor::close_all(std::function<void(std::vector<Closed>)> done) {
  struct Gathering {
    std::vector<Closed> answers;
    std::size_t missing = 0;
    std::function<void(std::vector<Closed>)> done;
  };
  auto gathering = std::make_shared<Gathering>();
  gathering->done = std::move(done);
  std::vector<DeviceHost*> shutters;
  for (auto& host : hosts_) {
    if (host->device().kind == DeviceKind::shutter) {
      shutters.push_back(host.get());
    }
  }
  gathering->missing = shutters.size();
  if (shutters.empty()) {
    gathering->done({});
    return;
  }
  for (DeviceHost* shutter : shutters) {
    shutter->close_shutter([gathering, name = shutter->device().name](Result<json> state) {
      gathering->answers.push_back({name, std::move(state)});
      if (--gathering->missing == 0) {
        gathering->done(std::move(gathering->answers));
      }
    });
  }
}

json Supervisor::status() const {
  json all = json::array();
  for (const auto& host : hosts_) {
    all.push_back(host->status());
  }
  return all;
}

bool is_closed(const json& state) {
  const std::string measured = state.value("measured", "");
  return measured == "closed" ||
         (measured == "not measured" && state.value("commanded", "") == "closed");
}

}  // namespace creel
