// A measurement record of a system of another size must not be taken.
#include <fifthwheel/kalman.hpp>

int main() {
    fifthwheel::Gaussian<double, 3> state{};
    fifthwheel::Applied<double, 2> record{};
    fifthwheel::SparseRow<double> h;
    h.add(0, 1.0);
    fifthwheel::scalar_update(state, h, 1.0, 1.0, 1.0, fifthwheel::Gate<double>{}, &record);
    return 0;
}
