// A process that stands in for creeld: opens a shutter through the real launcher, says "open", and
// renews the lease until something happens to it.
//   stand_in_daemon CREEL-HOST PLUGIN RECORD LEASE-MS
#include <boost/asio/io_context.hpp>
#include <boost/asio/steady_timer.hpp>
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <functional>
#include <memory>
#include <string>

#include "daemon/platform/launcher.h"
#include "protocol/host/messages.h"

int main(int count, char** arguments) {
  if (count != 5) {
    return 2;
  }
  using nlohmann::json;
  namespace host = creel::host;
  const long lease_ms = std::strtol(arguments[4], nullptr, 10);
  const json open_for = {{"open_for_ns", lease_ms * 1'000'000}};
  boost::asio::io_context loop;
  creel::platform::PosixLauncher launcher(arguments[1], loop);
  std::unique_ptr<creel::HostProcess> shutter;
  boost::asio::steady_timer timer(loop);
  std::uint64_t next_id = 10;

  const std::function<void()> renew = [&] {
    timer.expires_after(std::chrono::milliseconds(lease_ms / 3));
    timer.async_wait([&](const boost::system::error_code&) {
      (void)shutter->send(host::make_call(next_id++, "renew", open_for));
      renew();
    });
  };
  creel::HostListener listener;
  listener.on_gone = [](const std::string& how) {
    std::fprintf(stderr, "host gone: %s\n", how.c_str());
    std::exit(1);
  };
  listener.on_message = [&](std::string_view message) {
    const auto parsed = host::parse_from_host(message);
    if (!parsed.ok() || !parsed->answer) {
      return;
    }
    if (!parsed->answer->result.ok()) {
      std::fprintf(stderr, "%s\n", parsed->answer->result.error().text.c_str());
    } else if (parsed->answer->id == 1) {
      (void)shutter->send(host::make_call(2, "open_shutter", open_for));
      renew();
    } else if (parsed->answer->id == 2) {
      std::puts("open");
      std::fflush(stdout);
    }
  };
  const json open = {{"plugin", arguments[2]},
                     {"kind", "shutter"},
                     {"device", "shutter"},
                     {"config", {{"record", arguments[3]}}},
                     {"sandbox", {{"write_paths", {arguments[3]}}}}};
  auto launched = launcher.launch("shutter", host::make_call(1, "open", open), std::move(listener));
  if (!launched.ok()) {
    std::fprintf(stderr, "%s\n", launched.error().text.c_str());
    return 1;
  }
  shutter = std::move(*launched);
  loop.run();
}
