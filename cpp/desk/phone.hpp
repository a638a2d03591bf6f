// The phone: asks for settings and changes them over the same frames that its page uses, from a script or
// over TCP.
#pragma once

#include <arpa/inet.h>
#include <fcntl.h>
#include <netinet/in.h>
#include <stdint.h>
#include <stdio.h>
#include <sys/socket.h>
#include <unistd.h>

#include <fifthwheel/link.hpp>
#include <vector>

#include "channels.hpp"

namespace desk {

// One answer of a board: what became of a change.
struct Answer {
    uint16_t setting;
    uint8_t status;
    float value;
};

// The scripted end of the stream.
class Phone {
  public:
    Phone() : sender_({fifthwheel::car::layout_hash, 1, 0, fifthwheel::link_version}) {}

    std::vector<uint8_t> change(uint16_t setting, float value, uint64_t now) {
        uint8_t out[64];
        size_t size = 0;
        const auto status = sender_.send(fifthwheel::LinkType::setting_write,
                                         fifthwheel::SettingWrite{setting, value}, now, out, &size);
        return status == fifthwheel::Status::ok ? std::vector<uint8_t>(out, out + size)
                                                : std::vector<uint8_t>();
    }

    void hear(const std::vector<uint8_t>& bytes, uint64_t now) {
        for (const uint8_t byte : bytes) {
            if (receiver_.take(byte, now) != fifthwheel::LinkEvent::frame) continue;
            const auto frame = receiver_.frame();
            if (!frame.is(fifthwheel::LinkType::setting_reply)) continue;
            const auto reply = fifthwheel::SettingReply::get(frame.payload);
            answers.push_back({reply.setting, reply.status, reply.value});
        }
    }

    std::vector<Answer> answers;

  private:
    fifthwheel::LinkSender sender_;
    fifthwheel::LinkReceiver<fifthwheel::largest_core_payload> receiver_{fifthwheel::car::layout_hash};
};

// A TCP port on this computer alone that carries the same bytes; one client at a time. Port 0: any free one.
class Socket {
  public:
    bool open(uint16_t port) {
        listener_ = socket(AF_INET, SOCK_STREAM, 0);
        const int yes = 1;
        setsockopt(listener_, SOL_SOCKET, SO_REUSEADDR, &yes, sizeof yes);
        sockaddr_in here{};
        here.sin_family = AF_INET;
        here.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
        here.sin_port = htons(port);
        if (bind(listener_, reinterpret_cast<sockaddr*>(&here), sizeof here) != 0 ||
            listen(listener_, 1) != 0) {
            return false;
        }
        socklen_t size = sizeof here;
        getsockname(listener_, reinterpret_cast<sockaddr*>(&here), &size);
        fcntl(listener_, F_SETFL, O_NONBLOCK);
        printf("phone %u\n", unsigned(ntohs(here.sin_port)));
        fflush(stdout);
        return true;
    }

    std::vector<uint8_t> read() {
        if (listener_ < 0) return {};
        if (client_ < 0) {
            client_ = accept(listener_, nullptr, nullptr);
            if (client_ < 0) return {};
            fcntl(client_, F_SETFL, O_NONBLOCK);
        }
        uint8_t bytes[256];
        const ssize_t count = recv(client_, bytes, sizeof bytes, 0);
        if (count == 0) {
            close(client_);
            client_ = -1;
        }
        return count > 0 ? std::vector<uint8_t>(bytes, bytes + count) : std::vector<uint8_t>();
    }

    void write(const std::vector<uint8_t>& bytes) {
        if (client_ >= 0 && !bytes.empty()) (void)!send(client_, bytes.data(), bytes.size(), MSG_NOSIGNAL);
    }

  private:
    int listener_ = -1;
    int client_ = -1;
};

}  // namespace desk
