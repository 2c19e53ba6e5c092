# Writes scipy_welch.csv: density by scipy.signal.welch of a fixed two-channel
# signal. Run: /usr/bin/python3 make_scipy.py > scipy_welch.csv
import numpy as np, scipy
from scipy.signal import welch

rate, n, length = 44100, 5000, 1024
# A linear congruential generator modulo 2^31: the same in any language.
state, noise = 12345, []
for _ in range(2 * n):
    state = (1103515245 * state + 12345) % 2**31
    noise.append(state / 2**30 - 1)
noise = np.array(noise).reshape(2, n)
i = np.arange(n)
x = 0.1 * noise + np.array([0.5 * np.sin(2 * np.pi * 997 * i / rate) + 0.01, 0.25 * np.cos(2 * np.pi * 5000 * i / rate)])
f, p = welch(x, fs=rate, window="hann", nperseg=length, noverlap=length // 2, detrend=False, scaling="density", return_onesided=True, average="mean")
assert len(f) == length // 2 + 1
print(f"# scipy {scipy.__version__}, signal.welch(x, fs=44100, window='hann', nperseg=1024, noverlap=512, detrend=False, scaling='density'), both channels added")
print("bin,density")
for k, v in enumerate(p.sum(axis=0)):
    print(f"{k},{v:.17g}")
