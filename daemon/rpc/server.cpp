#include "daemon/rpc/server.h"

#include <sys/socket.h>

#include <boost/asio/io_context.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/steady_timer.hpp>
#include <chrono>
#include <optional>
#include <set>
#include <utility>

#include "daemon/rpc/peer.h"
#include "daemon/rpc/socket_place.h"

namespace creel::rpc {

using boost::asio::local::stream_protocol;
using boost::system::error_code;

class Server::Impl : public std::enable_shared_from_this<Impl> {
 public:
  Impl(boost::asio::io_context& io, Dispatcher& dispatcher, ServerOptions options,
       SocketPlace place)
      : io_(io),
        dispatcher_(dispatcher),
        options_(std::move(options)),
        place_(std::move(place)),
        acceptor_(io),
        retry_(io) {}

  Result<void> open();
  void accept();
  void close(const std::string& reason, std::function<void()> done);
  void close_now();
  [[nodiscard]] std::size_t connections() const { return peers_.size(); }

 private:
  void admit(stream_protocol::socket socket);
  void turn_away(stream_protocol::socket socket);
  void accept_later(const error_code& error);
  void peer_gone(const std::shared_ptr<Peer>& peer, const std::string& reason);
  void stop_listening();
  void finish_if_alone();

  boost::asio::io_context& io_;
  Dispatcher& dispatcher_;
  ServerOptions options_;
  std::optional<SocketPlace> place_;
  stream_protocol::acceptor acceptor_;
  boost::asio::steady_timer retry_;
  std::set<std::shared_ptr<Peer>> peers_;
  std::function<void()> done_;
  bool closing_ = false;
};

Result<void> Server::Impl::open() {
  const auto failed = [this](const error_code& error) {
    return Error{ErrorCode::refused, "cannot listen at " + options_.path + ": " + error.message()};
  };
  error_code error;
  acceptor_.open(stream_protocol(), error);
  if (error) return failed(error);
  acceptor_.bind(stream_protocol::endpoint(options_.path), error);
  if (error) return failed(error);
  CREEL_TRY(place_->restrict_socket());  // nobody can connect before listen()
  acceptor_.listen(boost::asio::socket_base::max_listen_connections, error);
  if (error) return failed(error);
  return {};
}

void Server::Impl::accept() {
  acceptor_.async_accept(
      [self = shared_from_this()](const error_code& error, stream_protocol::socket socket) {
        if (self->closing_) return;
        if (error) return self->accept_later(error);
        self->admit(std::move(socket));
        self->accept();
      });
}

/// Out of descriptors, for instance: trying again at once would only spin.
void Server::Impl::accept_later(const error_code& error) {
  options_.log("cannot take a connection: " + error.message() + "; trying again");
  retry_.expires_after(std::chrono::milliseconds(100));
  retry_.async_wait([self = shared_from_this()](const error_code& stopped) {
    if (!stopped && !self->closing_) self->accept();
  });
}

void Server::Impl::admit(stream_protocol::socket socket) {
  if (peers_.size() >= options_.max_connections) return turn_away(std::move(socket));
  const auto peer = std::make_shared<Peer>(
      std::move(socket), dispatcher_, options_,
      [weak = weak_from_this()](const std::shared_ptr<Peer>& gone, const std::string& reason) {
        if (const auto self = weak.lock()) self->peer_gone(gone, reason);
      });
  peers_.insert(peer);
  peer->start();
  options_.log("client connected (" + peer->connection().peer() + ")");
}

void Server::Impl::turn_away(stream_protocol::socket socket) {
  const std::string sentence =
      std::to_string(options_.max_connections) +
      " clients are connected already, as many as are allowed; close one first";
  const std::string line = to_line(make_response(nullptr, make_fault(kTooLarge, sentence)));
  (void)::send(socket.native_handle(), line.data(), line.size(), MSG_DONTWAIT | MSG_NOSIGNAL);
  options_.log("client turned away: " + sentence);
}

void Server::Impl::peer_gone(const std::shared_ptr<Peer>& peer, const std::string& reason) {
  options_.log("client gone (" + peer->connection().peer() + ")" +
               (reason.empty() ? "" : ": " + reason));
  peers_.erase(peer);
  finish_if_alone();
}

void Server::Impl::stop_listening() {
  closing_ = true;
  error_code ignored;
  acceptor_.close(ignored);
  retry_.cancel();
  place_.reset();
}

void Server::Impl::close(const std::string& reason, std::function<void()> done) {
  stop_listening();
  done_ = std::move(done);
  const auto peers = peers_;  // a goodbye may end a peer
  for (const auto& peer : peers) {
    peer->answer_pending({ErrorCode::cancelled, reason});
    peer->say_goodbye(reason);
  }
  finish_if_alone();
}

void Server::Impl::finish_if_alone() {
  if (!closing_ || !peers_.empty() || !done_) return;
  boost::asio::post(io_, std::exchange(done_, nullptr));
}

void Server::Impl::close_now() {
  stop_listening();
  done_ = nullptr;
  for (const auto& peer : peers_) peer->close();
  peers_.clear();
}

Server::Server(std::shared_ptr<Impl> impl) : impl_(std::move(impl)) {}
Server::~Server() {
  impl_->close_now();
}

Result<std::unique_ptr<Server>> Server::listen(boost::asio::io_context& io, Dispatcher& dispatcher,
                                               ServerOptions options) {
  auto place = SocketPlace::take(options.path, options.log);
  if (!place.ok()) return place.error();
  auto impl = std::make_shared<Impl>(io, dispatcher, std::move(options), std::move(*place));
  CREEL_TRY(impl->open());
  impl->accept();
  return std::unique_ptr<Server>(new Server(std::move(impl)));
}

void Server::close(const std::string& reason, std::function<void()> done) {
  impl_->close(reason, std::move(done));
}

std::size_t Server::connections() const {
  return impl_->connections();
}

}  // namespace creel::rpc
