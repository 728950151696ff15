// creeld's ear: a Unix socket (mode 0600, in a directory nobody else can write to), one JSON-RPC
// message a line.
//
// No peer can hold up another: reading goes in turns of at most 64 KiB, and a peer that lets more
// than max_queue_bytes of answers and events pile up is dropped, with the notification "goodbye"
// and the reason, if it still reads that. A peer that stops sending (end of file) still gets the
// answers that are due.
//
// Everything runs on the thread of the io_context: the control thread.
#pragma once

#include <cstddef>
#include <functional>
#include <memory>
#include <string>

#include "daemon/rpc/dispatcher.h"
#include "protocol/base/result.h"
#include "protocol/base/units.h"

namespace boost::asio {
class io_context;
}

namespace creel::rpc {

struct ServerOptions {
  std::string path;                  ///< protocol/rpc/address.h chooses it
  std::size_t max_connections = 64;  ///< one more is told so and closed
  std::size_t max_queue_bytes =
      8U << 20;  ///< waiting to be read by one peer; one longer answer may go alone
  Duration farewell = seconds(2);  ///< real time that a peer has for reading its last lines
  /// One sentence each: who came (process and user, from SO_PEERCRED), who was dropped and why.
  std::function<void(const std::string& text)> log = [](const std::string&) {};
};

class Server {
 public:
  /// Listens from now on. refused when another daemon serves the path or the place is unsafe
  /// (socket_place.h); a left-over socket is removed. `io` and `dispatcher` must outlive the
  /// server.
  static Result<std::unique_ptr<Server>> listen(boost::asio::io_context& io, Dispatcher& dispatcher,
                                                ServerOptions options);
  /// Closes everything at once and removes the socket.
  ~Server();
  Server(const Server&) = delete;
  Server& operator=(const Server&) = delete;

  /// Ends in order: takes no more peers or requests, answers every pending call with `cancelled`
  /// and the reason, says goodbye, removes the socket; `done` runs when all peers have read that or
  /// their time is up.
  void close(const std::string& reason, std::function<void()> done);
  [[nodiscard]] std::size_t connections() const;

 private:
  class Impl;
  explicit Server(std::shared_ptr<Impl> impl);
  std::shared_ptr<Impl> impl_;
};

}  // namespace creel::rpc
