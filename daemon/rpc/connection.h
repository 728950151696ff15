// One peer, as the dispatcher sees it: where its answers go, which of its calls are not answered
// yet, what it follows. Whoever owns the transport (server.h, tests) makes one for each peer.
//
// Control thread only.
#pragma once

#include <cstddef>
#include <functional>
#include <memory>
#include <nlohmann/json.hpp>
#include <set>
#include <string>
#include <string_view>

#include "protocol/base/result.h"
#include "protocol/rpc/message.h"

namespace creel::rpc {

constexpr std::size_t kMaxPendingCalls = 1000;  ///< of one peer

class PendingCall;

class Connection : public std::enable_shared_from_this<Connection> {
 public:
  /// Takes one line, LF included; shared, because an event goes to many peers. Must not block and
  /// must not call the connection back.
  using Send = std::function<void(std::shared_ptr<const std::string> line)>;

  /// `peer` names it in logs: "pid 4711, user 1000".
  static std::shared_ptr<Connection> make(std::string peer, Send send);

  [[nodiscard]] const std::string& peer() const { return peer_; }
  /// Sends a notification to this peer alone.
  void notify(std::string_view method, const nlohmann::json& params);
  void subscribe(std::string topic) { topics_.insert(std::move(topic)); }
  void unsubscribe_all() { topics_.clear(); }
  [[nodiscard]] bool follows(const std::string& topic) const { return topics_.count(topic) > 0; }
  /// Calls and notifications that came and are not dealt with.
  [[nodiscard]] std::size_t pending() const { return pending_.size(); }
  /// Those of them that will be answered.
  [[nodiscard]] std::size_t answers_due() const;
  /// Answers all of them with `error`; what their handlers reply later is dropped.
  void answer_pending(const Error& error);
  /// The transport is gone: nothing is sent any more.
  void close();
  [[nodiscard]] bool is_open() const { return static_cast<bool>(send_); }
  void send(std::shared_ptr<const std::string> line);

 private:
  friend class PendingCall;
  Connection(std::string peer, Send send) : peer_(std::move(peer)), send_(std::move(send)) {}

  std::string peer_;
  Send send_;
  std::set<std::string> topics_;
  std::set<PendingCall*> pending_;
};

/// The answers to one line: a single object, or the array of a batch, sent when the last one is
/// there.
class Answers {
 public:
  Answers(std::shared_ptr<Connection> to, bool batch) : to_(std::move(to)), batch_(batch) {}
  void expect() { ++missing_; }
  void add(nlohmann::json response);
  /// No more expect(): sends as soon as nothing is missing.
  void seal();

 private:
  void send_if_complete();
  std::shared_ptr<Connection> to_;
  bool batch_;
  bool sealed_ = false;
  std::size_t missing_ = 0;
  nlohmann::json responses_ = nlohmann::json::array();
};

/// One call whose answer is due. Answered exactly once: by its handler, by
/// Connection::answer_pending(), or, when the handler dropped it, by its destructor.
class PendingCall {
 public:
  PendingCall(std::shared_ptr<Connection> connection, std::shared_ptr<Answers> answers,
              const Request& request);
  ~PendingCall();
  PendingCall(const PendingCall&) = delete;
  PendingCall& operator=(const PendingCall&) = delete;

  void reply(Result<nlohmann::json> result);
  void fail(const Fault& fault);
  [[nodiscard]] bool is_notification() const { return notification_; }

 private:
  bool settle();
  std::shared_ptr<Connection> connection_;
  std::shared_ptr<Answers> answers_;
  nlohmann::json id_;
  std::string method_;
  bool notification_;
  bool answered_ = false;
};

}  // namespace creel::rpc
