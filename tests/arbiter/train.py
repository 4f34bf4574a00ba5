"""Train the arbiter and write it as ONNX: python -m arbiter.train DATA_DIR OUT.onnx MINUTES SEED [START.pt|START.onnx].

Needs torch and onnx (not needed to run pickglass). One thread a process, no GPU. Several processes with different
SEED and OUT names in one folder average their weights as they go. Recipe and results: README.md.
"""

from __future__ import annotations

import pathlib
import sys
import time

import numpy as np
import onnx
import torch
from onnx import TensorProto, helper, numpy_helper
from torch import nn
from torch.nn import functional

CLASSES, FAMILY_COUNT = 10, 6
IMAGE = ((2, 16, 5, 2), "pool", (16, 32, 3, 1), (32, 48, 3, 1), "pool", (48, 64, 3, 1), (64, 80, 3, 1))
SPECTRUM = ((1, 16, 5, 2), (16, 32, 3, 2), (32, 32, 3, 2), (32, 20, 1, 1))


def _stack(layers: tuple) -> nn.Sequential:  # type: ignore[type-arg]
    out: list[nn.Module] = []
    for layer in layers:
        if layer == "pool":
            out.append(nn.MaxPool2d(2))
            continue
        wide, deep, kernel, stride = layer
        conv = nn.Conv2d(wide, deep, kernel, stride, padding=kernel // 2, bias=False)
        out += [conv, nn.BatchNorm2d(deep), nn.ReLU()]
    return nn.Sequential(*out)


class Arbiter(nn.Module):
    """Two looks at one crop: the picture itself, wherever things lie in it, and its spectrum, place by place."""

    def __init__(self) -> None:
        super().__init__()
        self.image, self.waves = _stack(IMAGE), _stack(SPECTRUM)
        self.waves_out = nn.Linear(20 * 12 * 6, 64)
        self.mix = nn.Linear(80 + 64, 96)
        self.drop = nn.Dropout(0.15)
        self.heads = nn.Linear(96, 2 * CLASSES + 1 + FAMILY_COUNT)

    def forward(self, crop: torch.Tensor, spectrum: torch.Tensor) -> torch.Tensor:
        """Logits: CLASSES for x, CLASSES for y, woven, families."""
        seen = self.image(crop).mean((2, 3))
        heard = functional.relu(self.waves_out(self.waves(spectrum).flatten(1)))
        return self.heads(self.drop(functional.relu(self.mix(torch.cat([seen, heard], 1)))))


def spectrum(crops: torch.Tensor) -> torch.Tensor:
    """The same as `pickglass.measure.arbiter.spectrum`."""
    n = crops.shape[-1]
    hann = torch.hann_window(n + 2, periodic=False)[1:-1]
    power = torch.fft.rfft2(crops[:, 0] * hann[:, None] * hann[None, :]).abs() ** 2
    power = torch.fft.fftshift(power, 1)[:, :, : n // 2]
    level = power.mean((1, 2), keepdim=True) + 1e-6
    return ((torch.log(power / level + 1e-3) + 2.5) * 0.4)[:, None]


def augment(
    crop: np.ndarray, label: torch.Tensor, rng: np.random.Generator
) -> tuple[torch.Tensor, torch.Tensor]:
    """Mirror and turn a batch by a quarter: ends become picks, warp-faced becomes weft-faced."""
    crop = crop[:, :, :: rng.choice([-1, 1]), :: rng.choice([-1, 1])]
    if rng.random() < 0.5:
        crop = crop.swapaxes(2, 3)
        family = label[:, 3]
        family = torch.where(family == 1, 2, torch.where(family == 2, 1, family))
        label = torch.stack([label[:, 1], label[:, 0], label[:, 2], family], 1)
    channels_last = np.ascontiguousarray(crop.transpose(0, 2, 3, 1), np.float32)
    return torch.from_numpy(channels_last).permute(0, 3, 1, 2) / 31, label


def loss_of(out: torch.Tensor, label: torch.Tensor, smoothing: float = 0.03) -> torch.Tensor:
    """Ratios count only where there is cloth, the family where it is known."""
    woven = label[:, 2] > 0
    parts = out[woven].split([CLASSES, CLASSES, 1, FAMILY_COUNT], 1)
    truth = label[woven]
    loss = functional.cross_entropy(parts[0], truth[:, 0], label_smoothing=smoothing)
    loss = loss + functional.cross_entropy(parts[1], truth[:, 1], label_smoothing=smoothing)
    loss = loss + 0.2 * functional.cross_entropy(
        parts[3], truth[:, 3], label_smoothing=smoothing, ignore_index=-1
    )
    return loss + functional.binary_cross_entropy_with_logits(out[:, 2 * CLASSES], woven.float())


@torch.no_grad()
def score(net: Arbiter, crops: np.ndarray, labels: torch.Tensor) -> str:
    net.eval()
    outs = []
    for k in range(0, len(crops), 256):
        crop = torch.from_numpy(crops[k : k + 256]).float() / 31
        outs.append(net(crop, spectrum(crop)))
    net.train()
    out = torch.cat(outs)
    woven = labels[:, 2] > 0
    right = [
        (out[woven, a : a + CLASSES].argmax(1) == labels[woven, c]).float().mean()
        for a, c in ((0, 0), (CLASSES, 1))
    ]
    call = ((out[:, 2 * CLASSES] > 0) == woven).float().mean()
    family = (out[woven, 2 * CLASSES + 1 :].argmax(1) == labels[woven, 3]).float().mean()
    return f"loss {loss_of(out, labels, 0.0):.3f} x {right[0]:.3f} y {right[1]:.3f} woven {call:.3f} family {family:.3f}"


def load(folder: pathlib.Path, pattern: str, known: dict[str, tuple[np.ndarray, np.ndarray]]) -> bool:
    """Read files that have appeared since the last look."""
    new = [f for f in sorted(folder.glob(pattern)) if f.name not in known]
    for file in new:
        with np.load(file) as data:
            known[file.name] = data["crops"], data["labels"]
    return bool(new)


def train(
    folder: pathlib.Path, target: pathlib.Path, minutes: float, seed: int, start: pathlib.Path | None
) -> None:
    torch.manual_seed(0)  # all processes start alike, or averaging would make no sense
    rng = np.random.default_rng(seed)
    net = Arbiter().to(memory_format=torch.channels_last)  # twice as fast with bfloat16
    if start and start.suffix == ".pt":
        net.load_state_dict(torch.load(start))
    print(sum(p.numel() for p in net.parameters()), "parameters")
    peak, batch = (1e-3 if start else 2e-3), 64
    optimiser = torch.optim.AdamW(net.parameters(), peak, weight_decay=2e-3)
    held: dict[str, tuple[np.ndarray, np.ndarray]] = {}
    files: dict[str, tuple[np.ndarray, np.ndarray]] = {}
    load(folder, "valid*.npz", held)
    if start and start.suffix == ".onnx":
        read_onnx(net, start, next(iter(held.values()))[0][:600])
    fresh = load(folder, "train*.npz", files)
    began, step, seen = time.time(), 0, 0
    while (done := (time.time() - began) / 60 / minutes) < 1:
        if load(folder, "train*.npz", files) or fresh:
            fresh = False
            crops = np.concatenate([c for c, _ in files.values()])
            labels = torch.from_numpy(np.concatenate([n for _, n in files.values()])).long()
            print(len(crops), "crops", flush=True)
        for pick in rng.permutation(len(crops))[: batch * 60].reshape(-1, batch):
            done = (time.time() - began) / 60 / minutes
            if done >= 1:
                break
            rate = peak * min(1, (step + 1) / 60) * (0.5 + 0.5 * np.cos(np.pi * min(done, 1)))
            for group in optimiser.param_groups:
                group["lr"] = rate + 1e-6
            crop, label = augment(crops[pick], labels[pick], rng)
            with torch.autocast("cpu", torch.bfloat16):
                out = net(crop, spectrum(crop))
            loss = loss_of(out.float(), label)
            optimiser.zero_grad()
            loss.backward()
            optimiser.step()
            step, seen = step + 1, seen + batch
        report = f"{done:.2f} step {step} seen {seen} train loss {loss.item():.3f}"
        for name, (held_crops, held_labels) in held.items():
            report += f" | {name} " + score(net, held_crops[:600], torch.from_numpy(held_labels[:600]).long())
        print(report, flush=True)
        meet(net, target)
    write_onnx(net, target)


def meet(net: Arbiter, target: pathlib.Path) -> None:
    """Leave the weights where the other processes find them, and take the mean with theirs."""
    fresh = [
        f
        for f in target.parent.glob("*.pt")
        if f.stem != target.stem and time.time() - f.stat().st_mtime < 900
    ]
    states = [net.state_dict(), *(torch.load(f) for f in fresh)]
    mean = {k: sum(s[k].float() for s in states) / len(states) for k in states[0]}
    net.load_state_dict({k: v.to(states[0][k].dtype) for k, v in mean.items()})
    part = target.with_suffix(".part")
    torch.save(net.state_dict(), part)
    part.rename(target.with_suffix(".pt"))


@torch.no_grad()
def read_onnx(net: Arbiter, source: pathlib.Path, crops: np.ndarray) -> None:
    """Take up training where a written network stands.

    Writing folds the batch norms into the convolutions. Here each norm gets back the mean and spread that it meets on
    `crops`, and such gain and bias that what it gives stays what was written.
    """
    written = {
        w.name: torch.from_numpy(numpy_helper.to_array(w).copy()) for w in onnx.load(source).graph.initializer
    }
    value = torch.from_numpy(crops).float() / 31
    for stack, prefix, flow in ((net.image, "image", value), (net.waves, "waves", spectrum(value))):
        layers = list(stack)
        for k, layer in enumerate(layers):
            if isinstance(layer, nn.Conv2d):
                layer.weight.copy_(written[f"{prefix}{k}_w"])
                flow, norm = layer(flow), layers[k + 1]
                spread, mean = torch.var_mean(flow, (0, 2, 3), correction=0)
                norm.running_var.copy_(spread)
                norm.running_mean.copy_(mean)
                norm.weight.copy_(torch.sqrt(spread + norm.eps))
                norm.bias.copy_(written[f"{prefix}{k}_b"] + mean)
                flow = flow + written[f"{prefix}{k}_b"][:, None, None]
            elif not isinstance(layer, nn.BatchNorm2d):
                flow = layer(flow)
    for name, dense in (("waves_out", net.waves_out), ("mix", net.mix), ("logits", net.heads)):
        dense.weight.copy_(written[name + "_w"])
        dense.bias.copy_(written[name + "_b"])


def write_onnx(net: Arbiter, target: pathlib.Path) -> None:
    """Write plain Conv/Relu/Pool/Gemm nodes with the batch norms folded in."""
    net.eval()
    nodes, weights = [], []

    def constant(name: str, value: torch.Tensor) -> str:
        weights.append(numpy_helper.from_array(value.detach().float().numpy(), name))
        return name

    def node(kind: str, inputs: list[str], name: str, **settings: object) -> str:
        nodes.append(helper.make_node(kind, inputs, [name], name=name, **settings))
        return name

    def convolutions(stack: nn.Sequential, value: str, prefix: str) -> str:
        layers = list(stack)
        for k, layer in enumerate(layers):
            name = f"{prefix}{k}"
            if isinstance(layer, nn.Conv2d):
                norm = layers[k + 1]
                gain = norm.weight / torch.sqrt(norm.running_var + norm.eps)
                kernel = constant(name + "_w", layer.weight * gain[:, None, None, None])
                shift = constant(name + "_b", norm.bias - norm.running_mean * gain)
                pad, size = layer.padding[0], list(layer.kernel_size)
                where = {"pads": [pad] * 4, "kernel_shape": size, "strides": list(layer.stride)}
                value = node("Conv", [value, kernel, shift], name, **where)
            elif isinstance(layer, nn.ReLU):
                value = node("Relu", [value], name)
            elif isinstance(layer, nn.MaxPool2d):
                value = node("MaxPool", [value], name, kernel_shape=[2, 2], strides=[2, 2])
        return value

    def dense(layer: nn.Linear, value: str, name: str) -> str:
        return node(
            "Gemm",
            [value, constant(name + "_w", layer.weight), constant(name + "_b", layer.bias)],
            name,
            transB=1,
        )

    seen = node("GlobalAveragePool", [convolutions(net.image, "crop", "image")], "pooled")
    seen = node("Flatten", [seen], "seen")
    heard = node("Flatten", [convolutions(net.waves, "spectrum", "waves")], "flat")
    heard = node("Relu", [dense(net.waves_out, heard, "waves_out")], "heard")
    mixed = node("Relu", [dense(net.mix, node("Concat", [seen, heard], "both", axis=1), "mix")], "mixed")
    dense(net.heads, mixed, "logits")
    graph = helper.make_graph(
        nodes,
        "arbiter",
        [
            helper.make_tensor_value_info("crop", TensorProto.FLOAT, ["n", 2, 96, 96]),
            helper.make_tensor_value_info("spectrum", TensorProto.FLOAT, ["n", 1, 96, 48]),
        ],
        [helper.make_tensor_value_info("logits", TensorProto.FLOAT, ["n", 2 * CLASSES + 1 + FAMILY_COUNT])],
        weights,
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 13)])
    model.ir_version = 8
    onnx.checker.check_model(model)
    onnx.save(model, target)


if __name__ == "__main__":
    torch.set_num_threads(1)
    began_from = pathlib.Path(sys.argv[5]) if len(sys.argv) > 5 else None
    train(
        pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2]), float(sys.argv[3]), int(sys.argv[4]), began_from
    )
