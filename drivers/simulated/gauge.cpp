#include "drivers/simulated/gauge.h"

#include "drivers/simulated/world/laboratory_config.h"

namespace creel::simulated {

Gauge::Gauge(const nlohmann::json& config, kit::Services services) : services_(services) {
  kit::Config fields(config);
  fields.text("name", "");
  const std::string gauge =
      fields.choice("gauge", "all", {"all", "laser_power", "high_tension", "room"});
  laboratory_ = read_laboratory(fields);
  fields.done();
  log_ = std::make_unique<SharedLog>(services, fingerprint(config));
  const auto add = [&](const char* name, const Meter& meter) {
    if (gauge == "all" || gauge == name) {
      meters_.push_back(meter);
    }
  };
  add("laser_power", {{"laser_power", "mW", "laser to the cathode, measured before its shutter"},
                      sim::laser_power_mw,
                      0.002 * laboratory_.source.laser_power_mw,
                      true});
  add("high_tension",
      {{"high_tension", "kV", "as the supply reports it"},
       [](const sim::Source& source, std::uint64_t seed, double t_s) {
         return 1e-3 * (source.high_tension_v + sim::high_tension_error_v(source, seed, t_s));
       },
       2e-4});
  add("room",
      {{"room_temperature", "degC", "beside the column"}, sim::room_temperature_degc, 0.05});
}

nlohmann::json Gauge::describe() {
  return {
      {"identity",
       {{"maker", "Creel"}, {"model", "simulated gauge"}, {"serial", "1"}, {"firmware", "0.1.0"}}},
      {"settings", nlohmann::json::object()}};
}

std::vector<kit::Channel> Gauge::channels() const {
  std::vector<kit::Channel> channels;
  for (const Meter& meter : meters_) {
    channels.push_back(meter.channel);
  }
  return channels;
}

std::vector<creel_reading> Gauge::read() {
  const std::int64_t now = services_.now_ns();
  std::vector<creel_reading> readings;
  for (const Meter& meter : meters_) {
    // Each meter has noise of its own, which depends only on what it is and when it is read.
    sim::Random random(
        sim::mix(services_.seed(), sim::Stream::reading, now, meter.channel.name.size()));
    double value =
        meter.value(laboratory_.source, services_.seed(), static_cast<double>(now) * 1e-9);
    if (meter.attenuated) {
      value *= sim::kAttenuatorStep * log_->last(sim::Channel::attenuator, sim::kAttenuatorOpen);
    }
    readings.push_back({value + meter.uncertainty * random.normal(), meter.uncertainty, now, 1, 0});
  }
  return readings;
}

}  // namespace creel::simulated
