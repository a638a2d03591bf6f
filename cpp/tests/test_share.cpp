// No value is torn, none older than one already read, and every call ends in its stated number of steps,
// whatever interrupts whom. The properties are those of an atomic register (L. Lamport, On interprocess
// communication, 1986, from memory); the step counts are those that the header states.
#include <atomic>
#include <cstdlib>
#include <fifthwheel/share.hpp>
#include <functional>
#include <string>
#include <thread>
#include <vector>

#include "vendor/doctest.h"

#if !defined(__SANITIZE_THREAD__) && !defined(__SANITIZE_ADDRESS__)
#define FIFTHWHEEL_SCHEDULES
#include <ucontext.h>
#endif

namespace fw = fifthwheel;

namespace {

// Every word follows from the first: a mixture of two values shows.
template <int Words>
struct Value {
    uint32_t word[Words];
};

template <int Words>
Value<Words> value_of(uint32_t n) {
    Value<Words> value{};
    for (int w = 0; w < Words; ++w) value.word[w] = n * 2654435761U + uint32_t(w) * 40503U;
    return value;
}

template <int Words>
bool whole(const Value<Words>& value, uint32_t n) {
    const Value<Words> expected = value_of<Words>(n);
    for (int w = 0; w < Words; ++w) {
        if (value.word[w] != expected.word[w]) return false;
    }
    return true;
}

std::function<void(fw::ShareStep)> at_step;

struct Stepped {
    static void at(fw::ShareStep step) {
        if (at_step) at_step(step);
    }
};

// Call `inside` at step number `stop` of `call`; return the steps of `call`.
template <typename Call, typename Inside>
int interrupted(int stop, Call call, Inside inside) {
    int steps = 0;
    bool in = false;
    at_step = [&](fw::ShareStep) {
        if (in) return;
        if (steps == stop) {
            in = true;
            inside();
            in = false;
        }
        ++steps;
    };
    call();
    at_step = nullptr;
    return steps;
}

}  // namespace

TEST_CASE("the latest value comes back whole, with the number of its write") {
    struct Odd {
        double speed;
        uint8_t flag;
        uint16_t angle;
        char text[5];
    };
    fw::Share<Odd, 2> share(Odd{1.5, 7, 300, "abcd"});
    Odd out{};
    CHECK(share.read<0>(out) == 0U);
    CHECK(out.speed == 1.5);
    CHECK(out.text[3] == 'd');
    for (uint32_t n = 1; n < 50; ++n) {
        share.write(Odd{double(n), uint8_t(n), uint16_t(n * 3), "wxyz"});
        if (n % 3 == 0) CHECK(share.read<1>(out) == n);
        CHECK(share.read<0>(out) == n);
        CHECK(share.read<0>(out) == n);
        CHECK(out.speed == double(n));
        CHECK(out.angle == n * 3);
        CHECK(out.text[0] == 'w');
    }
    fw::Share<char, 1> small('x');
    small.write('y');
    char c = 0;
    CHECK(small.read<0>(c) == 1U);
    CHECK(c == 'y');
}

TEST_CASE("a reader that interrupts the writer at any step gets the last whole value in bounded steps") {
    constexpr int W = 5;
    constexpr int R = 2;
    const int steps_of_write = 2 * R + 2 + W + 1;
    const int steps_of_read = 4 + W + 1;
    for (int stop = 0; stop < steps_of_write; ++stop) {
        fw::Share<Value<W>, R, Stepped> share(value_of<W>(0));
        uint32_t last = 0;
        for (uint32_t n = 1; n <= 6; ++n) {
            const int steps = interrupted(
                stop, [&] { share.write(value_of<W>(n)); },
                [&] {
                    // The writer stands still here, as long as the reader likes: it never has to wait.
                    for (int again = 0; again < 3; ++again) {
                        Value<W> out{};
                        const uint32_t got = share.read<0>(out);
                        CHECK(whole(out, got));
                        CHECK(got >= last);
                        CHECK((got == n || got == n - 1));
                        last = got;
                    }
                    Value<W> out{};
                    CHECK(whole(out, share.read<1>(out)));
                });
            CHECK(steps == steps_of_write);
        }
        int read_steps = 0;
        at_step = [&](fw::ShareStep) { ++read_steps; };
        Value<W> out{};
        CHECK(share.read<0>(out) == 6U);
        at_step = nullptr;
        CHECK(read_steps == steps_of_read);
    }
}

TEST_CASE("a writer that interrupts a reader at any step, any number of times, never tears what is read") {
    constexpr int W = 3;
    for (int stop = 0; stop < 4 + W + 1; ++stop) {
        for (uint32_t writes = 1; writes <= 8; ++writes) {
            fw::Share<Value<W>, 1, Stepped> share(value_of<W>(0));
            uint32_t n = 0;
            uint32_t before = 0;
            for (int again = 0; again < 4; ++again) {
                Value<W> out{};
                uint32_t got = 0;
                const uint32_t started = n;
                const int steps = interrupted(
                    stop, [&] { got = share.read<0>(out); },
                    [&] {
                        for (uint32_t k = 0; k < writes; ++k) share.write(value_of<W>(++n));
                    });
                CHECK(steps == 4 + W + 1);
                CHECK(whole(out, got));
                CHECK(got >= started);  // not older than what was the latest when the read began
                CHECK(got >= before);
                before = got;
            }
        }
    }
}

TEST_CASE("a writer and readers that stop for good hinder nobody") {
    constexpr int W = 2;
    struct Dead {};
    for (int stop = 0; stop < 4 + W + 1; ++stop) {
        fw::Share<Value<W>, 2, Stepped> share(value_of<W>(0));
        Value<W> out{};
        at_step = [&, steps = 0](fw::ShareStep) mutable {
            if (steps++ == stop) throw Dead{};
        };
        CHECK_THROWS_AS(share.read<1>(out), Dead);
        at_step = nullptr;
        for (uint32_t n = 1; n <= 10; ++n) {
            share.write(value_of<W>(n));
            CHECK(share.read<0>(out) == n);
            CHECK(whole(out, n));
        }
    }
}

#ifdef FIFTHWHEEL_SCHEDULES
namespace {

// Two tasks on one stack of control: at every step of either the schedule says who goes on.
class Schedule {
  public:
    // `switches`: numbers of the steps, counted over both, before which the other task goes on.
    Schedule(std::function<void()> a, std::function<void()> b, std::vector<int> switches)
        : task_{std::move(a), std::move(b)}, switches_(std::move(switches)), stack_(2 * size) {}

    int run() {
        running_ = this;
        at_step = [this](fw::ShareStep) { step(); };
        for (int t = 0; t < 2; ++t) {
            getcontext(&context_[t]);
            context_[t].uc_stack.ss_sp = stack_.data() + size_t(t) * size;
            context_[t].uc_stack.ss_size = size;
            context_[t].uc_link = &home_;
            makecontext(&context_[t], &Schedule::enter, 0);
        }
        while (!done_[0] || !done_[1]) {
            if (done_[now_]) now_ = 1 - now_;
            swapcontext(&home_, &context_[now_]);
        }
        at_step = nullptr;
        return steps_;
    }

  private:
    static constexpr size_t size = 64 * 1024;
    static void enter() {
        Schedule& s = *running_;
        const int me = s.now_;
        s.task_[me]();
        s.done_[me] = true;
    }
    void step() {
        const bool change = next_ < switches_.size() && switches_[next_] == steps_;
        if (change) ++next_;
        ++steps_;
        if (!change || done_[1 - now_]) return;
        const int me = now_;
        now_ = 1 - me;
        swapcontext(&context_[me], &context_[now_]);
    }

    static Schedule* running_;
    std::function<void()> task_[2];
    std::vector<int> switches_;
    std::vector<char> stack_;
    ucontext_t home_{};
    ucontext_t context_[2]{};
    bool done_[2] = {false, false};
    int now_ = 0;
    int steps_ = 0;
    size_t next_ = 0;
};
Schedule* Schedule::running_ = nullptr;

// Run three writes against two reads with the given switches; return the number of steps, -1 when a value was
// torn or older than it may be.
int scheduled(const std::vector<int>& switches) {
    constexpr int W = 2;
    fw::Share<Value<W>, 1, Stepped> share(value_of<W>(0));
    uint32_t written = 0;  // writes that have ended
    bool good = true;
    const auto writer = [&] {
        for (uint32_t n = 1; n <= 3; ++n) {
            share.write(value_of<W>(n));
            written = n;
        }
    };
    const auto reader = [&] {
        uint32_t before = 0;
        for (int k = 0; k < 2; ++k) {
            const uint32_t oldest = written;
            Value<W> out{};
            const uint32_t got = share.read<0>(out);
            if (!whole(out, got) || got < oldest || got > written + 1 || got < before) good = false;
            before = got;
        }
    };
    const int steps = Schedule(writer, reader, switches).run();
    return good ? steps : -1;
}

}  // namespace

TEST_CASE("every schedule of three writes and two reads with up to four switches of task") {
    const int steps = scheduled({});
    REQUIRE(steps == 3 * (4 + 3) + 2 * (4 + 3));
    int tried = 0;
    int bad = 0;
    for (int a = 0; a < steps; ++a) {
        for (int b = a + 1; b < steps; ++b) {
            for (int c = b + 1; c < steps; ++c) {
                for (int d = c + 1; d <= steps; ++d) {  // d == steps: three switches only
                    bad += scheduled({a, b, c, d}) < 0 ? 1 : 0;
                    ++tried;
                }
            }
        }
    }
    CHECK(bad == 0);
    CHECK(tried > 50000);
}
#endif

TEST_CASE("threads that write and read at full speed see whole values in order") {
    constexpr int W = 7;
    const char* asked = std::getenv("FIFTHWHEEL_SHARE_READS");
    const uint64_t reads = asked != nullptr ? std::strtoull(asked, nullptr, 10) : 200000;
    fw::Share<Value<W>, 2> share(value_of<W>(0));
    std::atomic<bool> stop{false};
    std::atomic<uint64_t> torn{0};
    std::atomic<uint64_t> older{0};
    uint64_t fresh[2] = {0, 0};
    const auto look = [&](auto reader, uint64_t count, uint64_t& seen) {
        uint32_t before = 0;
        // On, until enough was read and the writer had its turns in between.
        for (uint64_t k = 0; k < count || seen < 20; ++k) {
            Value<W> out{};
            const uint32_t got = share.template read<decltype(reader)::value>(out);
            if (!whole(out, got)) ++torn;
            if (int32_t(got - before) < 0) ++older;
            if (got != before) ++seen;
            before = got;
        }
    };
    std::thread writer([&] {
        for (uint32_t n = 1; !stop; n = n == 0xFFFFFFFFU ? 1U : n + 1U) share.write(value_of<W>(n));
    });
    std::thread other([&] { look(std::integral_constant<int, 1>{}, reads / 2, fresh[1]); });
    look(std::integral_constant<int, 0>{}, reads - reads / 2, fresh[0]);
    other.join();
    stop = true;
    writer.join();
    CHECK(torn == 0);
    CHECK(older == 0);
    const std::string told = std::to_string(reads) + " reads at least, " +
                             std::to_string(fresh[0] + fresh[1]) + " of a value not read before, " +
                             std::to_string(torn) + " torn";
    MESSAGE(told);
}
