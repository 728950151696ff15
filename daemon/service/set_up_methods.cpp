// The methods setup.* of the interface: live set-up outside any series.

#include "daemon/service/service.h"

namespace creel {

using nlohmann::json;

namespace {

SetUpOrder order_from(const json& asked) {
  SetUpOrder order;
  order.area = asked["area"];
  if (asked.contains("exposure_s")) {
    order.exposure = from_seconds(asked["exposure_s"].get<double>());
  }
  if (asked.contains("limit_s")) {
    order.limit = from_seconds(asked["limit_s"].get<double>());
  }
  if (asked.contains("dose_e_per_a2")) {
    order.dose = Dose{asked["dose_e_per_a2"].get<double>()};
  }
  return order;
}

}  // namespace

Result<void> Service::make_set_up() {
  auto made = SetUp::make(
      {parts_.scheduler, parts_.clock, *supervisor_, *ledger_, *conductor_, parts_.disk}, rig_,
      options_.state + "/set-ups",
      [this](const json& status) { parts_.dispatcher.publish("setup", status); });
  if (!made.ok()) {
    return made.error();
  }
  set_up_ = std::move(*made);
  return {};
}

void Service::serve_set_up() {
  rpc::Dispatcher& rpc = parts_.dispatcher;
  rpc.add("setup.start", [this](const rpc::Call& call, const rpc::Reply& reply) {
    auto series = parse_series(call.params["text"].get<std::string>(),
                               call.params["origin"].get<std::string>());
    if (!series.ok()) {
      reply(series.error());
      return;
    }
    // Somebody must look: a set-up that nobody watches only gives dose.
    call.connection->subscribe("setup");
    set_up_->start(
        *series, order_from(call.params), [asker = call.connection] { return asker->is_open(); },
        [reply](Result<json> started) {
          if (started.ok()) {
            (*started)["safety"] = kShutterCaution;
          }
          reply(std::move(started));
        });
  });
  rpc.add_prompt("setup.stop", [this](const rpc::Call&) {
    auto stopped = set_up_->stop("a person asked");
    return stopped.ok() ? Result<json>(json::object()) : Result<json>(stopped.error());
  });
  rpc.add_prompt("setup.status", [this](const rpc::Call&) -> Result<json> {
    json status = set_up_->status();
    status["safety"] = kShutterCaution;
    return status;
  });
  rpc.add("setup.follow", [this](const rpc::Call& call, const rpc::Reply& reply) {
    call.connection->subscribe("setup");
    reply(set_up_->status());
  });
}

}  // namespace creel
